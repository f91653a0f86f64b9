"""The morning list as CSV: one row for each reason of each site, then those of whom nobody can tell. Formulas are
neutralised."""

from __future__ import annotations

from typing import Any, Final

from flowdiag.text.csv_table import csv_table
from flowdiag.text.wording.watch import morning as wording
from flowdiag.watch.report.reasons import MorningList
from flowdiag.watch.report.rows import rows

COLUMNS: Final = (
    "rank", "site", "client", "profile", "code", "what", "link", "since", "or_earlier", "ended", "timezone", "confidence",
    "summary", "to_do", "client_sentence", "allowance_used", "used_up", "acknowledged",
)  # fmt: skip


def render(morning: MorningList) -> str:
    import pandas as pd

    from flowdiag.site.clock import LocalTime

    found: list[dict[str, Any]] = []
    for row in rows(morning):
        clock, reason, allowance = LocalTime(row.site.timezone), row.reason, row.reason.allowance
        found.append(
            {
                "rank": row.number,
                "site": row.site.site,
                "client": row.site.client,
                "profile": row.site.place,
                "code": reason.code,
                "what": row.kind,
                "link": reason.link,
                "since": None if reason.since_ms is None else clock.iso(reason.since_ms),
                "or_earlier": "yes" if reason.before else "no",
                "ended": None if reason.ended_ms is None else clock.iso(reason.ended_ms),
                "timezone": row.site.timezone,
                "confidence": reason.confidence,
                "summary": reason.what,
                "to_do": " ".join(row.actions),
                "client_sentence": row.say or None,
                "allowance_used": None if allowance is None else f"{allowance.share:.4f}",
                "used_up": None
                if allowance is None or allowance.used_up_ms is None
                else clock.iso(allowance.used_up_ms),
                "acknowledged": row.known or None,
            }
        )
    found += [
        {
            "site": one.site,
            "client": one.client,
            "profile": one.place,
            "code": f"unsure-{one.why}",
            "what": wording.UNSURE[one.why],
            "summary": one.said,
        }
        for one in morning.unsure
    ]
    return csv_table(pd.DataFrame(found, columns=list(COLUMNS), dtype="object"), COLUMNS)
