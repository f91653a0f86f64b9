"""The logic behind `flowdiag usage`, from an export's paths to each link's rates."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from flowdiag.aggregator.report_windows import Asked
from flowdiag.aggregator.site_flows import DIRECTION_NAMES
from flowdiag.aggregator.usage_report import UsageReport, usage_report
from flowdiag.collector.readers.inputs import Progress
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.figure_windows import figure_windows
from flowdiag.diagnoser.signals.full_times import figures
from flowdiag.durations import MINUTE_MS
from flowdiag.long_times import Effort
from flowdiag.pipeline import Direction, build_case, link_named
from flowdiag.site.profile import Profile

# Figures need a closer look only where a link may have been full for less than some minutes.
FOR_FIGURES: Final = Effort(worth_octets=2 << 20, looked_at=50_000, who=False)


def report_usage(
    paths: Sequence[str | Path],
    profile: Profile,
    *,
    window_from: str | None = None,
    window_to: str | None = None,
    window_ms: int | None = None,
    link: str | None = None,
    direction: Direction | None = None,
    progress: Progress | None = None,
    effort: Effort | None = FOR_FIGURES,
) -> UsageReport:
    """Each link's rate over time. window_ms: length of its windows, for None that in which figures are kept. Otherwise as
    pipeline.run()."""
    wanted = None if link is None else link_named(profile, link)
    in_minutes = window_ms is None or window_ms % MINUTE_MS == 0
    case = usage_case(
        paths,
        profile,
        window_from=window_from,
        window_to=window_to,
        progress=progress,
        effort=effort if in_minutes else None,
    )
    return usage_report(
        profile,
        case.carried,
        case.usage,
        case.coverage,
        case.window_ms,
        window_ms or figure_windows(case).usage.window_ms,
        figures=figures(case),
        asked=Asked(begin=window_from is not None, end=window_to is not None),
        link=wanted,
        direction=None if direction is None else DIRECTION_NAMES.index(direction),
    )


def usage_case(
    paths: Sequence[str | Path],
    profile: Profile,
    *,
    window_from: str | None = None,
    window_to: str | None = None,
    progress: Progress | None = None,
    effort: Effort | None = FOR_FIGURES,
) -> Case:
    """What report_usage() works its figures out from, for pictures of the same time too. Arguments as there."""
    return build_case(
        paths,
        profile,
        window_from=window_from,
        window_to=window_to,
        progress=progress,
        context=False,
        effort=effort,
    )
