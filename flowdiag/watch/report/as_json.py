"""The morning list as JSON, schema flowdiag.morning/1."""

from __future__ import annotations

import json
from typing import Any, Final

from flowdiag.site.clock import LocalTime
from flowdiag.watch.report.reasons import Acknowledged, Allowance, ListedSite, MorningList, Reason
from flowdiag.watch.report.rows import steps, to_client

SCHEMA: Final = "flowdiag.morning/1"
_DIGITS: Final = 4


def render(morning: MorningList) -> str:
    return json.dumps(as_object(morning), indent=1)


def as_object(morning: MorningList) -> dict[str, Any]:
    silent_ms = morning.nobody_heard_ms
    return {
        "schema": SCHEMA,
        "made": LocalTime("UTC").iso(morning.now_ms),
        "counts": {
            "sites": morning.sites,
            "listed": len(morning.listed),
            "well": morning.well,
            "unsure": len(morning.unsure),
            "without_backup": morning.without_backup,
        },
        "nobody_heard_since": None if silent_ms is None else LocalTime("UTC").iso(silent_ms),
        "sites": [_site(site, collector=silent_ms is not None) for site in morning.listed],
        "unsure": [
            {"site": one.site, "client": one.client, "profile": one.place, "why": one.why, "said": one.said}
            for one in morning.unsure
        ],
    }


def _site(site: ListedSite, *, collector: bool) -> dict[str, Any]:
    clock = LocalTime(site.timezone)
    return {
        "site": site.site,
        "client": site.client,
        "profile": site.place,
        "timezone": site.timezone,
        "reasons": [_reason(reason, clock, collector=collector) for reason in site.reasons],
    }


def _reason(reason: Reason, clock: LocalTime, *, collector: bool) -> dict[str, Any]:
    return {
        "code": reason.code,
        "link": reason.link,
        "since": None if reason.since_ms is None else clock.iso(reason.since_ms),
        "or_earlier": reason.before,
        "ended": None if reason.ended_ms is None else clock.iso(reason.ended_ms),
        "confidence": reason.confidence,
        "summary": reason.what,
        "client": to_client(reason, collector=collector),
        "actions": [{"who": step.who, "text": step.text} for step in steps(reason, collector=collector)],
        "allowance": None if reason.allowance is None else _allowance(reason.allowance, clock),
        "acknowledged": None if reason.acknowledged is None else _acknowledged(reason.acknowledged, clock),
    }


def _allowance(used: Allowance, clock: LocalTime) -> dict[str, Any]:
    return {
        "octets": used.octets,
        "allowance_gb": used.allowance_gb,
        "share": round(used.share, _DIGITS),
        "day": used.day,
        "days": used.days,
        "used_up": None if used.used_up_ms is None else clock.iso(used.used_up_ms),
        "at_least": used.least,
    }


def _acknowledged(known: Acknowledged, clock: LocalTime) -> dict[str, Any]:
    return {
        "by": known.by,
        "reason": known.reason,
        "until": None if known.until_ms is None else clock.iso(known.until_ms),
        "muted": known.muted,
    }
