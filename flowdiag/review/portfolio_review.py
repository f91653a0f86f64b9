"""The review of all sites: here, in several processes or on a cluster, by one code path, and ranked."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from msgspec import Struct

from flowdiag.collector.store.backends import is_url
from flowdiag.collector.store.cluster import open_workers
from flowdiag.collector.store.workers import Count
from flowdiag.review.advice import ADVICE
from flowdiag.review.period import Period
from flowdiag.review.site_review import ReviewedSite, SiteTask, review_site
from flowdiag.review.sites import ReviewSite


class PortfolioReview(Struct, frozen=True):
    """sites: ranked, the most urgent first."""

    period: Period
    sites: tuple[ReviewedSite, ...]

    def clients(self) -> dict[str, list[ReviewedSite]]:
        """The sites of each client, both in order of the ranking."""
        found: dict[str, list[ReviewedSite]] = {}
        for site in self.sites:
            found.setdefault(site.client, []).append(site)
        return found


def review(
    location: str,
    sites: Sequence[ReviewSite],
    period: Period,
    *,
    jobs: int = 1,
    cluster: str | None = None,
    progress: Callable[[int, int], None] | None = None,
    keep: bool = True,
) -> PortfolioReview:
    """Reviews sites against the store at `location`. jobs: processes; cluster: address of a Dask scheduler instead, whose
    workers see the store at the same address; progress: called with the sites done and all sites.

    The same flows give the same review, whoever makes it. Raises StoreError, ClusterError.
    """
    where = location if is_url(location) else str(Path(location).resolve())
    tasks = [SiteTask(where, site, period, keep) for site in sites]
    with open_workers(jobs, len(tasks), progress, cluster) as workers:
        reviewed = workers.all(_review, tasks)
    return PortfolioReview(period, tuple(sorted(reviewed, key=_rank)))


def _review(task: SiteTask, count: Count) -> ReviewedSite:
    reviewed = review_site(task)
    count(1)
    return reviewed


def _rank(site: ReviewedSite) -> tuple[int, float, str]:
    return ADVICE.index(site.judgement.advice), -site.tightest.share, site.file
