"""The logic behind `flowdiag usage`: rates of each link and direction over time, with figures and bounds."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Final, Literal
from zoneinfo import ZoneInfo

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.carried import Carried
from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.dscp import ClassUsage, usage_by_class
from flowdiag.aggregator.figures import DirectionFigures, LinkFigures
from flowdiag.aggregator.link_figures import link_figures
from flowdiag.aggregator.remark import Remark
from flowdiag.aggregator.report_windows import ALL_OF_IT, Asked, report_windows, without_flows
from flowdiag.aggregator.site_flows import DIRECTION_NAMES
from flowdiag.aggregator.spread import WindowGrid
from flowdiag.aggregator.usage import Usage
from flowdiag.errors import UsageError
from flowdiag.site.profile import Profile

State = Literal["ok", "busy", "full", "unknown"]
STATES: Final[tuple[State, ...]] = ("ok", "busy", "full", "unknown")
OK, BUSY, FULL, UNKNOWN = range(4)

# Windows of a report: five numbers each per link and direction.
MAX_WINDOWS: Final = 600_000
_ROUNDING: Final = 1e-9


class LinkUsage(Struct, frozen=True, eq=False):
    """One link and direction. start_ms, mbps, lower_mbps, upper_mbps, state are per window, of one length; edges_ms
    has the end of the last one too.

    Rates are in Mbit/s with framing, spread evenly, and the least and most that the flows' times allow; where state
    is UNKNOWN (the exporter was silent) they mean nothing. months: (year, month, p95) of each local calendar month.
    """

    name: str
    direction: str
    figures: DirectionFigures
    edges_ms: NDArray[np.int64]
    mbps: NDArray[np.float64]
    lower_mbps: NDArray[np.float64]
    upper_mbps: NDArray[np.float64]
    state: NDArray[np.int8]
    months: tuple[tuple[int, int, float], ...]
    classes: tuple[ClassUsage, ...]


class UsageReport(Struct, frozen=True):
    """step_ms: length of the windows of the series; window_ms: [from, to) of the figures."""

    site: str
    timezone: str
    step_ms: int
    window_ms: tuple[int, int]
    links: tuple[LinkUsage, ...]
    remarks: tuple[Remark, ...]


def usage_report(
    profile: Profile,
    carried: Carried,
    minutes: Usage,
    coverage: Coverage,
    window_ms: tuple[int, int],
    step_ms: int,
    *,
    asked: Asked = ALL_OF_IT,
    figures: Sequence[LinkFigures] | None = None,
    link: int | None = None,
    direction: int | None = None,
) -> UsageReport:
    """The report of a span [from, to) in windows of step_ms. minutes: the usage on windows of a minute; carried: of the same
    flows; asked: which ends of the window a person gave; figures: of each link in the span, worked out by the minutes for None.

    Rates times the lengths of their windows add up to the octets that fall in [from, to). Raises UsageError for more
    windows than MAX_WINDOWS.
    """
    begin, end = window_ms
    if (end - begin) // step_ms >= MAX_WINDOWS:
        raise UsageError(
            f"--window would give more than {MAX_WINDOWS} windows",
            expected="longer windows, or less time between --from and --to",
        )
    zone = ZoneInfo(profile.site.timezone)
    grid = report_windows(window_ms, step_ms, zone, asked)
    edges = grid.edges()
    length = np.diff(edges)
    series = carried.usage(grid, with_bounds=True)
    heard = _heard(minutes, coverage, grid)
    figures = figures or link_figures(minutes, carried, profile, window_ms, coverage.heard)
    months = [
        (year, month, link_figures(minutes, carried, profile, part, coverage.heard))
        for year, month, part in local_months(window_ms, zone)
    ]
    found = []
    for number, link_profile in enumerate(profile.link):
        for way, name in enumerate(DIRECTION_NAMES):
            if link not in (None, number) or direction not in (None, way):
                continue
            own = figures[number].up if way else figures[number].down
            rates = _rates(series.wire_octets, number, way, length)
            found.append(
                LinkUsage(
                    name=link_profile.name,
                    direction=name,
                    figures=own,
                    edges_ms=edges,
                    mbps=rates,
                    lower_mbps=_rates(series.lower, number, way, length),
                    upper_mbps=_rates(series.upper, number, way, length),
                    state=_states(rates, heard, own.capacity_mbps, profile),
                    months=tuple(
                        (year, month, (by_link[number].up if way else by_link[number].down).p95_mbps)
                        for year, month, by_link in months
                    ),
                    classes=usage_by_class(carried, number, way, window_ms),
                )
            )
    return UsageReport(
        site=profile.site.name,
        timezone=profile.site.timezone,
        step_ms=step_ms,
        window_ms=window_ms,
        links=tuple(found),
        remarks=(*_about_the_time(carried, coverage, window_ms, zone), *coverage.remarks),
    )


def _about_the_time(
    carried: Carried, coverage: Coverage, window_ms: tuple[int, int], zone: ZoneInfo
) -> Iterator[Remark]:
    if not carried.touches(window_ms):
        yield without_flows(coverage.first_ms, coverage.last_ms, zone)


def local_months(window_ms: tuple[int, int], zone: ZoneInfo) -> Iterator[tuple[int, int, tuple[int, int]]]:
    """(year, month, the part of the window in it) of each calendar month of a zone that the window touches."""
    begin, end = window_ms
    while begin < end:
        local = datetime.fromtimestamp(begin / 1000, UTC).astimezone(zone)
        year, month = local.year, local.month
        following = datetime(year + month // 12, month % 12 + 1, 1, tzinfo=zone)
        month_end = min(round(following.timestamp() * 1000), end)
        yield year, month, (begin, month_end)
        begin = month_end


def _rates(
    octets: NDArray[np.float64] | None, link: int, way: int, length_ms: NDArray[np.int64]
) -> NDArray[np.float64]:
    assert octets is not None
    rates: NDArray[np.float64] = octets[link, way] * 8 / length_ms / 1000.0
    return rates


def _states(
    rates: NDArray[np.float64], heard: NDArray[np.bool_], capacity: float, profile: Profile
) -> NDArray[np.int8]:
    limits = profile.thresholds
    state = np.full(len(rates), OK, np.int8)
    state[rates >= limits.busy * capacity * (1 - _ROUNDING)] = BUSY
    state[rates >= limits.full * capacity * (1 - _ROUNDING)] = FULL
    state[~heard] = UNKNOWN
    return state


def _heard(minutes: Usage, coverage: Coverage, grid: WindowGrid) -> NDArray[np.bool_]:
    """Whether the exporter was heard in any minute that each window touches."""
    alive = np.flatnonzero(coverage.heard)
    starts = minutes.start_ms + alive * minutes.window_ms
    steps = np.zeros(grid.windows + 1, np.int64)
    first = (starts - grid.start_ms) // grid.window_ms
    stop = (starts + minutes.window_ms - 1 - grid.start_ms) // grid.window_ms + 1
    kept = (stop > 0) & (starts < grid.end_ms)
    np.add.at(steps, np.maximum(first[kept], 0), 1)
    np.add.at(steps, np.minimum(stop[kept], grid.windows), -1)
    return np.cumsum(steps)[:-1] > 0
