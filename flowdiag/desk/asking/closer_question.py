"""Exactly a span of time of a site: the figures of each link and direction, and the pictures of their rates."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

from msgspec import Struct
from msgspec.structs import replace

from flowdiag.aggregator.figures import LinkFigures
from flowdiag.desk.asking.note_question import DrawnPicture
from flowdiag.desk.asking.question import Progress
from flowdiag.desk.asking.span_question import LinkQuestion

if TYPE_CHECKING:
    from flowdiag.note.model import Chart


UNKNOWN: Final = "\N{EN DASH}"
NAMES: Final = 3  # cells of a row that say what it is of: link, direction and plan


class CloserAnswer(Struct, frozen=True):
    """figures: of the span, as `usage` has them; columns, cells: the same as people read them, one row a link and direction;
    axis_ms: of the pictures, the fullest of which comes first; remarks: what bounds the figures; covered: the part of the span
    that has records, 0 to 1; of a span without any nothing is known, whatever its figures are, and cells have no number."""

    window_ms: tuple[int, int]
    axis_ms: tuple[int, int] | None
    figures: tuple[LinkFigures, ...]
    columns: tuple[str, ...]
    cells: tuple[tuple[str, ...], ...]
    pictures: tuple[DrawnPicture, ...]
    remarks: tuple[str, ...]
    covered: float


class CloserQuestion(LinkQuestion, frozen=True):
    """What the links carried in the span."""

    def answer(self, progress: Progress) -> CloserAnswer:
        """Raises what report_usage() raises."""
        from flowdiag.diagnoser.signals.full_times import figures
        from flowdiag.diagnoser.signals.silences import covered
        from flowdiag.export_usage import usage_case
        from flowdiag.note.charting import charts, time_axis
        from flowdiag.note.figures import link_rows
        from flowdiag.note.html import chart_picture
        from flowdiag.pipeline import link_named
        from flowdiag.text.clock import Clock
        from flowdiag.text.wording.coverage import told
        from flowdiag.text.wording.figures import LINK_COLUMNS

        profile = self.profile()
        wanted = None if self.link is None else profile.link[link_named(profile, self.link)].name
        case = usage_case(
            [self.store], profile, window_from=self.window_from, window_to=self.window_to, progress=progress
        )
        shown = _worth_showing(
            # All of the picture is the time asked about, unless that begins or ends within a minute.
            replace(chart, window_ms=None) if case.window_ms == (chart.start_ms, chart.end_ms) else chart
            for chart in charts(case, time_axis(case, case.window_ms))
            if wanted in (None, chart.link) and self.direction in (None, chart.direction)
        )
        clock = Clock(profile.site.timezone)
        links = figures(case)
        part = covered(case) if case.coverage.span is not None else 0.0
        rows = [
            row
            for link in links
            for direction, row in zip(("down", "up"), link_rows([link], case.window_ms), strict=True)
            if wanted in (None, link.name) and self.direction in (None, direction)
        ]
        if not part:  # silence is no zero
            rows = [(*row[:NAMES], *[UNKNOWN] * (len(row) - NAMES)) for row in rows]
        return CloserAnswer(
            window_ms=case.window_ms,
            axis_ms=(shown[0].start_ms, shown[0].end_ms) if shown else None,
            figures=tuple(link for link in links if wanted in (None, link.name)),
            columns=LINK_COLUMNS,
            cells=tuple(rows),
            pictures=tuple(
                DrawnPicture(*chart_picture(chart, clock, number)) for number, chart in enumerate(shown, 1)
            ),
            remarks=told(case.coverage.remarks),
            covered=part,
        )


def _worth_showing(drawn: Iterable[Chart]) -> list[Chart]:
    """The fullest first; of a link that was hardly used one direction, since both have the same states below."""
    from flowdiag.text.wording.pictures import HARDLY_USED

    found: list[Chart] = []
    for chart in sorted(drawn, key=lambda chart: -_fullness(chart)):
        if _fullness(chart) >= HARDLY_USED or all(other.link != chart.link for other in found):
            found.append(chart)
    return found


def _fullness(chart: Chart) -> float:
    return chart.highest_mbps / chart.capacity_mbps
