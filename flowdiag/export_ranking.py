"""The logic behind `flowdiag top`, from an export's paths to its ranking."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from msgspec.structs import replace

from flowdiag.aggregator.top import ANY_SITE, rank_batches
from flowdiag.aggregator.top_ranking import Request, Top
from flowdiag.collector.export import open_export
from flowdiag.collector.readers.inputs import Progress
from flowdiag.collector.store.asking import asked_again
from flowdiag.collector.untaught import refuse_untaught
from flowdiag.query_plan import plan
from flowdiag.query_times import asked_times
from flowdiag.site.profile import Profile


@asked_again
def rank_export(
    paths: Sequence[str | Path], profile: Profile | None, request: Request, progress: Progress | None = None
) -> Top:
    """Ranks an export; profile None: ANY_SITE, and local traffic counts too.

    Raises ExportError for an export that cannot be used, UsageError for a window that cannot be.
    """
    site = (profile or ANY_SITE).site
    exporters = site.exporter_octets
    asked = asked_times(paths, request.window_from, request.window_to, site.timezone, exporters)
    request = replace(request, window_from=asked.window_from, window_to=asked.window_to)
    reading = plan(paths, request.window_from, request.window_to, site.timezone, exporters, context=False)
    export = open_export(paths, exporters=exporters, progress=progress, span=reading.span)
    top = rank_batches(export.batches(), export.report, profile, request)
    refuse_untaught(export.report, paths)
    return top
