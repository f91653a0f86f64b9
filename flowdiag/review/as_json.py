"""The review as JSON, schema flowdiag.review/1."""

from __future__ import annotations

import json
from typing import Any, Final

from flowdiag.addresses import to_text
from flowdiag.review.backup_figures import BackupFigures
from flowdiag.review.flow_days import day_date
from flowdiag.review.link_figures import LinkFigures
from flowdiag.review.portfolio_review import PortfolioReview
from flowdiag.review.site_review import ReviewedSite

SCHEMA: Final = "flowdiag.review/1"
_DIGITS: Final = 6


def rounded(value: float | None) -> float | None:
    return round(value, _DIGITS) if isinstance(value, float) else value


def render(review: PortfolioReview) -> str:
    """One object, a site a line."""
    head = json.dumps({"schema": SCHEMA, "from": review.period.begin, "to": review.period.end})
    sites = ",\n".join(json.dumps(_site(site)) for site in review.sites)
    return f'{head[:-1]}, "sites": [\n{sites}\n]}}'


def _site(site: ReviewedSite) -> dict[str, Any]:
    judgement = site.judgement
    return {
        "site": site.site,
        "client": site.client,
        "profile": site.file,
        "timezone": site.timezone,
        "advice": judgement.advice,
        "plan": judgement.plan,
        "plan_mbps": None if judgement.rates is None else list(judgement.rates),
        "reasons": [reason.text for reason in judgement.reasons],
        "reason_codes": [reason.code for reason in judgement.reasons],
        "days": site.days,
        "coverage": rounded(site.coverage),
        "records": site.records,
        "lost_records": site.lost_records,
        "links": [_link(figures, site) for figures in site.links],
        "backup": None if site.backup is None else _backup(site.backup),
        "problems": list(site.problems),
    }


def _link(figures: LinkFigures, site: ReviewedSite) -> dict[str, Any]:
    trend, months, talker = figures.trend, figures.months, figures.talker
    address = None if talker is None else to_text(talker.address)
    return {
        "name": figures.name,
        "role": figures.role,
        "direction": figures.direction,
        "capacity_mbps": figures.capacity_mbps,
        "mean_mbps": rounded(figures.mean_mbps),
        "p95_mbps": rounded(figures.p95_mbps),
        "peak_mbps": rounded(figures.peak_mbps),
        "busy_hour": figures.busy_hour,
        "busy_hour_p95_mbps": rounded(figures.busy_hour_p95_mbps),
        "working_hours_p95_mbps": rounded(figures.work_p95_mbps),
        "busy_hours": rounded(figures.busy_hours),
        "full_hours": rounded(figures.full_hours),
        "full_episodes": figures.episodes,
        "full_episode_days": figures.episode_days,
        "full_episode_minutes": figures.episode_minutes,
        "trend_percent_month": None if trend is None else rounded(trend.percent(trend.slope)),
        "trend_low": None if trend is None else rounded(trend.percent(trend.low)),
        "trend_high": None if trend is None else rounded(trend.percent(trend.high)),
        "trend_mbps_month": None if trend is None else rounded(trend.slope),
        "months_to_busy": None if months is None else rounded(months.expected),
        "months_to_busy_low": None if months is None else rounded(months.soonest),
        "months_to_busy_high": None if months is None else rounded(months.latest),
        "top_talker": address,
        "top_talker_label": site.talker_labels.get(address or ""),
        "top_talker_share": None if talker is None else rounded(talker.share),
        "top_talker_share_most": None if talker is None else rounded(talker.share_most),
        "p95_without_top_talker_mbps": None if talker is None else rounded(talker.p95_without_mbps),
        "coverage": rounded(figures.coverage),
        "week_hours_p95_share": [rounded(share) for share in figures.week],
        "days_p95_mbps": []
        if trend is None
        else [
            {"day": day_date(day).isoformat(), "p95_mbps": rounded(mbps)}
            for day, mbps in zip(trend.days, trend.points, strict=True)
        ],
    }


def _backup(backup: BackupFigures) -> dict[str, Any]:
    return {
        "links": list(backup.names),
        "hours_on_backup": rounded(backup.hours_on_backup),
        "days_on_backup": backup.days,
        "failovers": backup.failovers,
        "octets": backup.octets,
        "leaked_octets": backup.leaked_octets,
        "hours_without_keepalives": rounded(backup.silent_hours),
        "month": backup.month,
        "month_octets": backup.month_octets,
        "allowance_gb": backup.allowance_gb,
        "allowance_used": rounded(backup.allowance_used),
        "allowance_projected": rounded(backup.allowance_projected),
        "fit_days": backup.fit_days,
        "fit_days_down": backup.fit_down,
        "fit_days_up": backup.fit_up,
        "fit_down": rounded(backup.fit_down / backup.fit_days) if backup.fit_days else None,
        "fit_up": rounded(backup.fit_up / backup.fit_days) if backup.fit_days else None,
    }
