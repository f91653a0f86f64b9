"""A second diagnosis beside the first: the same site and questions at the time that --compare names.

What is not a store was read whole for the first, so it is looked at again without reading; a store is asked for the days of
the other time.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from msgspec.structs import replace

from flowdiag.collector.readers.inputs import STANDARD_INPUT, Progress, is_store
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.diagnosis import Diagnosis
from flowdiag.errors import UsageError
from flowdiag.long_times import ORDINARY, Effort
from flowdiag.pipeline import Direction, build_case, link_named, restricted
from flowdiag.query_times import asked_times
from flowdiag.site.clock import LocalTime
from flowdiag.site.window import COMPARE, compared_window


def run_other(
    paths: Sequence[str | Path],
    asked: Case,
    text: str,
    *,
    link: str | None = None,
    direction: Direction | None = None,
    progress: Progress | None = None,
    now_ms: int | None = None,
    effort: Effort | None = ORDINARY,
) -> Diagnosis:
    """The diagnosis of the time that `text` names, as site/window.py reads it.

    paths, link, direction, progress, effort: as for pipeline.run(); asked: the case of the first diagnosis; now_ms: the moment of
    asking, from which days are counted back where a store is being filled, None to go by the newest flow. Raises what
    run() raises, and UsageError for a time that overlaps the one asked about.
    """
    window_ms = _window(paths, asked, text, now_ms)
    if any(map(is_store, paths)):
        other = _read_again(paths, asked, window_ms, progress, effort)
    else:
        other = replace(asked, window_ms=window_ms, window_given=True)
    diagnosis = diagnose(other)
    if link is None and direction is None:
        return diagnosis
    return restricted(diagnosis, None if link is None else link_named(asked.profile, link), direction)


def _window(paths: Sequence[str | Path], asked: Case, text: str, now_ms: int | None) -> tuple[int, int]:
    site, coverage = asked.profile.site, asked.coverage
    first_ms, last_ms = coverage.first_ms, coverage.last_ms
    if all(map(is_store, paths)):  # of which only the days around the time asked about were read
        end = asked_times(paths, "now", None, site.timezone, site.exporter_octets, now_ms).window_from
        if end is not None and end != "now":
            first_ms, last_ms = None, round(datetime.fromisoformat(end).timestamp() * 1000)
    return compared_window(text, site.timezone, first_ms, last_ms, asked.window_ms)


def _read_again(
    paths: Sequence[str | Path],
    asked: Case,
    window_ms: tuple[int, int],
    progress: Progress | None,
    effort: Effort | None,
) -> Case:
    if STANDARD_INPUT in map(str, paths):
        raise UsageError(
            f"{COMPARE} reads a store for both times, and standard input can be read once",
            advice="give a file instead of -",
        )
    begin, end = (LocalTime(asked.profile.site.timezone).local(ms).isoformat() for ms in window_ms)
    return build_case(
        paths,
        asked.profile,
        window_from=begin,
        window_to=end,
        reported=asked.reported,
        progress=progress,
        effort=effort,
    )
