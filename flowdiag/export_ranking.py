"""The logic behind `flowdiag top`, from an export's paths to its ranking."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from msgspec.structs import replace

from flowdiag.aggregator.remark import remark
from flowdiag.aggregator.top import ANY_SITE, rank_batches
from flowdiag.aggregator.top_ranking import Request, Top
from flowdiag.collector.export import open_export
from flowdiag.collector.readers.inputs import Progress, is_store
from flowdiag.collector.store.asking import asked_again
from flowdiag.collector.untaught import refuse_untaught
from flowdiag.query_plan import CHEAP_ROWS, long_window, plan
from flowdiag.query_times import asked_times
from flowdiag.site.profile import Profile


@asked_again
def rank_export(
    paths: Sequence[str | Path],
    profile: Profile | None,
    request: Request,
    progress: Progress | None = None,
    *,
    cheap_rows: int = CHEAP_ROWS,
) -> Top:
    """Ranks an export; profile None: ANY_SITE, and local traffic counts too. cheap_rows: up to so many flow records of a store
    are read although roll-ups stand for them.

    Raises ExportError for an export that cannot be used, UsageError for a window that cannot be.
    """
    site = (profile or ANY_SITE).site
    exporters = site.exporter_octets
    asked = asked_times(paths, request.window_from, request.window_to, site.timezone, exporters)
    request = replace(request, window_from=asked.window_from, window_to=asked.window_to)
    damaged: list[str] = []
    top = _from_rollups(paths, profile, request, progress, cheap_rows, damaged)
    if top is None:
        reading = plan(paths, request.window_from, request.window_to, site.timezone, exporters, context=False)
        export = open_export(paths, exporters=exporters, progress=progress, span=reading.span)
        top = rank_batches(export.batches(), export.report, profile, request)
        refuse_untaught(export.report, paths)
    return (
        top
        if not damaged
        else replace(
            top, remarks=(*top.remarks, remark("damaged-roll-ups", file=damaged[0], count=len(damaged)))
        )
    )


def _from_rollups(
    paths: Sequence[str | Path],
    profile: Profile | None,
    request: Request,
    progress: Progress | None,
    cheap_rows: int,
    damaged: list[str],
) -> Top | None:
    """The ranking of a store that has so many flows in the window that its roll-ups are asked; None where it has to be read."""
    if len(paths) != 1 or not is_store(paths[0]):
        return None
    # Loaded here since most exports are no stores.
    from flowdiag.collector.store.opening import open_backend
    from flowdiag.rollup.asking import LongQuestion, rank_store

    backend = open_backend(paths[0])
    site = (profile or ANY_SITE).site
    found = long_window(
        backend, request.window_from, request.window_to, site.timezone, site.exporter_octets, cheap_rows
    )
    if found is None:
        return None
    question = LongQuestion(profile, request, found.window_ms, found.span)
    return rank_store(backend, question, damaged, progress)
