"""The morning list of all sites: here, in several processes or on a cluster, by one code path, and in order."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from flowdiag.collector.store.backends import is_url
from flowdiag.collector.store.cluster import open_workers
from flowdiag.collector.store.workers import Count
from flowdiag.watch.report.reasons import SURE_LAST, ListedSite, MorningList, UnsureSite, in_order
from flowdiag.watch.report.site import Said, SiteTask, Well, said_of
from flowdiag.watch.report.sites import ReportSite


def morning_list(
    store: str,
    sites: Sequence[ReportSite],
    now_ms: int,
    *,
    jobs: int = 1,
    cluster: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> MorningList:
    """store: its place; now_ms: since 1970 UTC; jobs: processes; cluster: address of a Dask scheduler instead, whose workers
    see the store at the same address; progress: called with the sites done and all sites.

    The same records, profiles and time give the same list, whoever makes it. Raises StoreError, ClusterError.
    """
    where = store if is_url(store) else str(Path(store).resolve())
    tasks = [SiteTask(where, site, now_ms) for site in sites]
    with open_workers(jobs, len(tasks), progress, cluster) as workers:
        said = workers.all(_said_of, tasks)
    return MorningList(
        now_ms=now_ms,
        sites=len(said),
        listed=tuple(sorted((one for one in said if isinstance(one, ListedSite)), key=in_order)),
        unsure=tuple(
            sorted(
                (one for one in said if isinstance(one, UnsureSite)), key=lambda one: SURE_LAST.index(one.why)
            )
        ),
        well=sum(isinstance(one, Well) and one.has_backup for one in said),
        without_backup=sum(isinstance(one, Well) and not one.has_backup for one in said),
    )


def _said_of(task: SiteTask, count: Count) -> Said:
    said = said_of(task)
    count(1)
    return said
