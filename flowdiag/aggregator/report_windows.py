"""The windows of a report (`usage`, `top --window`): where they begin and end.

A person who gives --from wants windows that begin there. Otherwise they stand on whole multiples of their length since
the site's midnight, so that a window of a day is a local day; after a change of the clocks they keep their length. Only
the last window may be cut short, by --to; at its own ends the export is shown in whole windows.
"""

from __future__ import annotations

from datetime import UTC, datetime, time
from typing import Final
from zoneinfo import ZoneInfo

from msgspec import Struct

from flowdiag.aggregator.remark import Remark, remark
from flowdiag.aggregator.spread import WindowGrid


class Asked(Struct, frozen=True):
    """Which ends of the span a person gave; the others are those of the export."""

    begin: bool = False
    end: bool = False


ALL_OF_IT: Final = Asked()


def report_windows(span_ms: tuple[int, int], step_ms: int, zone: ZoneInfo, asked: Asked) -> WindowGrid:
    """The windows of step_ms that hold a span [from, to), ms since 1970 UTC; at least one."""
    begin, end = span_ms
    end = max(end, begin + 1)
    midnight = _local_midnight(begin, zone)
    start = begin if asked.begin else midnight + (begin - midnight) // step_ms * step_ms
    return WindowGrid(start, step_ms, -(-(end - start) // step_ms), cut_ms=end if asked.end else None)


def _local_midnight(time_ms: int, zone: ZoneInfo) -> int:
    day = datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone).date()
    return round(datetime.combine(day, time(), zone).timestamp() * 1000)


def without_flows(first_ms: int | None, last_ms: int | None, zone: ZoneInfo) -> Remark:
    """Of a span without flows. first_ms, last_ms: what the export covers, None where it has no flows."""
    if first_ms is None or last_ms is None:
        return remark("no-flows", covers=None)
    shown = [datetime.fromtimestamp(t // 1000, UTC).astimezone(zone).isoformat() for t in (first_ms, last_ms)]
    return remark("no-flows", covers=tuple(shown))
