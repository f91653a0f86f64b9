"""The review as a table of one row a site: what CSV and the spreadsheet hold. No text in it is neutralised yet."""

from __future__ import annotations

from typing import Final

from flowdiag.aggregator.addresses import to_text
from flowdiag.review.portfolio_review import PortfolioReview
from flowdiag.review.site_review import ReviewedSite

Cell = str | int | float | None

COLUMNS: Final = (
    "rank", "advice", "plan", "client", "site", "reasons", "link", "direction", "capacity_mbps", "p95_mbps",
    "share_of_plan", "busy_hour", "busy_hour_p95_mbps", "busy_hours", "full_hours", "full_episodes",
    "trend_percent_month", "trend_low", "trend_high", "months_to_busy", "months_low", "months_high", "top_talker",
    "top_talker_label", "top_talker_share", "coverage", "days", "hours_on_backup", "failovers", "leaked_octets",
    "allowance_used", "allowance_projected", "fit_days", "fit_days_down", "fit_days_up",
)  # fmt: skip


def rows(review: PortfolioReview) -> list[list[Cell]]:
    """One row a site in the order of the ranking, of COLUMNS; the link and direction nearest to its plan."""
    return [_row(rank, site) for rank, site in enumerate(review.sites, 1)]


def _row(rank: int, site: ReviewedSite) -> list[Cell]:
    figures, judgement, backup = site.tightest, site.judgement, site.backup
    trend, months, talker = figures.trend, figures.months, figures.talker
    address = None if talker is None else to_text(talker.address)
    return [
        rank,
        judgement.advice,
        judgement.plan,
        site.client,
        site.site,
        "; ".join(reason.text for reason in judgement.reasons),
        figures.name,
        figures.direction,
        figures.capacity_mbps,
        figures.p95_mbps,
        figures.share,
        figures.busy_hour,
        figures.busy_hour_p95_mbps,
        figures.busy_hours,
        figures.full_hours,
        figures.episodes,
        *((None,) * 3 if trend is None else map(trend.percent, (trend.slope, trend.low, trend.high))),
        *((None,) * 3 if months is None else (months.expected, months.soonest, months.latest)),
        address,
        site.talker_labels.get(address or ""),
        None if talker is None else talker.share,
        site.coverage,
        site.days,
        *(
            (None,) * 8
            if backup is None
            else (
                backup.hours_on_backup,
                backup.failovers,
                backup.leaked_octets,
                backup.allowance_used,
                backup.allowance_projected,
                backup.fit_days,
                backup.fit_down,
                backup.fit_up,
            )
        ),
    ]
