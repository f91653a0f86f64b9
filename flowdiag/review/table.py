"""The review as tables: what CSV and the spreadsheet hold. No text in them is neutralised yet.

What each column says stands in reference.py.
"""

from __future__ import annotations

from typing import Final

from flowdiag.addresses import to_text
from flowdiag.review.link_figures import LinkFigures
from flowdiag.review.portfolio_review import PortfolioReview
from flowdiag.review.site_review import ReviewedSite

Cell = str | int | float | None

# Of one link and direction.
_FIGURES: Final = (
    "link", "direction", "capacity_mbps", "p95_mbps", "share_of_plan", "busy_hour", "busy_hour_p95_mbps", "busy_hours",
    "full_hours", "full_episodes", "trend_percent_month", "trend_low", "trend_high", "months_to_busy",
    "months_to_busy_low", "months_to_busy_high", "top_talker", "top_talker_label", "top_talker_share",
    "top_talker_share_most", "p95_without_top_talker_mbps",
)  # fmt: skip
_BACKUP: Final = (
    "hours_on_backup", "days_on_backup", "failovers", "leaked_octets", "month", "allowance_gb", "allowance_used",
    "allowance_projected", "fit_days", "fit_days_down", "fit_days_up",
)  # fmt: skip
SITE_COLUMNS: Final = (
    "rank", "advice", "plan", "client", "site", "reasons", *_FIGURES, "coverage", "days", *_BACKUP,
)  # fmt: skip
LINK_COLUMNS: Final = (
    "client", "site", "role", *_FIGURES, "mean_mbps", "peak_mbps", "working_hours_p95_mbps", "coverage",
)  # fmt: skip


def site_rows(review: PortfolioReview) -> list[list[Cell]]:
    """One row a site in the order of the ranking, of SITE_COLUMNS; the link and direction nearest to its plan."""
    return [
        [
            rank,
            site.judgement.advice,
            site.judgement.plan,
            site.client,
            site.site,
            "; ".join(reason.text for reason in site.judgement.reasons),
            *_figures(site.tightest, site),
            site.coverage,
            site.days,
            *_backup(site),
        ]
        for rank, site in enumerate(review.sites, 1)
    ]


def link_rows(review: PortfolioReview) -> list[list[Cell]]:
    """One row for each link and direction of each site, of LINK_COLUMNS."""
    return [
        [
            site.client,
            site.site,
            figures.role,
            *_figures(figures, site),
            figures.mean_mbps,
            figures.peak_mbps,
            figures.work_p95_mbps,
            figures.coverage,
        ]
        for site in review.sites
        for figures in site.links
    ]


def _figures(figures: LinkFigures, site: ReviewedSite) -> list[Cell]:
    trend, months, talker = figures.trend, figures.months, figures.talker
    address = None if talker is None else to_text(talker.address)
    return [
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
        None if talker is None else talker.share_most,
        None if talker is None else talker.p95_without_mbps,
    ]


def _backup(site: ReviewedSite) -> list[Cell]:
    backup = site.backup
    if backup is None:
        return [None] * len(_BACKUP)
    return [
        backup.hours_on_backup,
        backup.days,
        backup.failovers,
        backup.leaked_octets,
        backup.month,
        backup.allowance_gb,
        backup.allowance_used,
        backup.allowance_projected,
        backup.fit_days,
        backup.fit_down,
        backup.fit_up,
    ]
