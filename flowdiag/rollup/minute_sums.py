"""The minutes of several roll-ups as columns, and what the links carried by them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import numpy as np
import pyarrow as pa
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.carried import CODE_POINTS, FlowsCarried
from flowdiag.aggregator.counting import Decisions, InterfaceLinks
from flowdiag.aggregator.framing import PER_PACKET
from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.aggregator.spread import WindowGrid
from flowdiag.aggregator.usage import Usage
from flowdiag.buffers import numbers, one_chunk
from flowdiag.durations import MINUTE_MS, Span
from flowdiag.rollup.shape import MINUTES, RollUp
from flowdiag.site.profile import Link, Profile

_PADDING: Final = {46: "padding_46", 38: "padding_38"}


class MinuteSums(Struct, frozen=True, eq=False):
    """Rows of shape.MINUTES of several roll-ups, columns of one length n.

    source: number of exporter and domain; minute: since 1970 UTC; ingress, egress: ifIndex, -1 unknown; metered, dscp as
    there; amounts: the others by name, float64.
    """

    source: NDArray[np.int64]
    minute: NDArray[np.int64]
    ingress: NDArray[np.int64]
    egress: NDArray[np.int64]
    metered: NDArray[np.int64]
    dscp: NDArray[np.int64]
    amounts: dict[str, NDArray[np.float64]]

    def __len__(self) -> int:
        return len(self.minute)

    def at(self, rows: NDArray[np.intp]) -> MinuteSums:
        """Some of the rows."""
        if len(rows) == len(self):
            return self
        return MinuteSums(
            self.source[rows],
            self.minute[rows],
            self.ingress[rows],
            self.egress[rows],
            self.metered[rows],
            self.dscp[rows],
            {name: values[rows] for name, values in self.amounts.items()},
        )

    def wire(self, link: Link, octets: str = "octets", packets: str = "packets") -> NDArray[np.float64]:
        """Octets of each row with the framing of a link; shape [n]. Padding is known of all flows of a row only."""
        rule = PER_PACKET[link.framing]
        framed = self.amounts[octets] + rule.added * self.amounts[packets]
        if rule.least and octets == "octets":
            framed = framed + self.amounts[_PADDING[rule.least]]
        return framed


_AMOUNTS: Final = (
    "octets", "packets", "padding_46", "padding_38", "flows", "peak",
    "least_octets", "least_packets", "most_octets", "most_packets",
)  # fmt: skip


def gather(rollups: Sequence[RollUp], sources: Mapping[tuple[bytes, int], int]) -> MinuteSums:
    """The minutes of roll-ups that have that table, with those amounts that they have. sources: the number of each exporter
    and domain in them."""
    tables = [rollup.tables["minutes"] for rollup in rollups]
    whole = (pa.concat_tables(tables) if tables else MINUTES.empty_table()).combine_chunks()
    columns = {name: numbers(one_chunk(whole[name])) for name in whole.schema.names}
    source = [
        _sources(rollup.exporter, numbers(one_chunk(table["domain"])), sources)
        for rollup, table in zip(rollups, tables, strict=True)
    ]
    return MinuteSums(
        source=np.concatenate([np.zeros(0, np.int64), *source]),
        **{
            name: columns[name].astype(np.int64)
            for name in ("minute", "ingress", "egress", "metered", "dscp")
        },
        amounts={name: columns[name].astype(np.float64) for name in _AMOUNTS if name in columns},
    )


def _sources(
    exporter: bytes, domains: NDArray[np.uint32], sources: Mapping[tuple[bytes, int], int]
) -> NDArray[np.int64]:
    numbered = np.zeros(len(domains), np.int64)
    for domain in distinct(domains):
        numbered[domains == domain] = sources[exporter, domain]
    return numbered


def distinct(values: NDArray[Any]) -> list[int]:
    """The values that there are, ascending: mostly one."""
    if not len(values) or (values == values[0]).all():
        one: list[int] = values[:1].tolist()
        return one
    found: list[int] = np.unique(values).tolist()
    return found


def distinct_rows(
    *columns: NDArray[np.int64],
) -> tuple[list[NDArray[np.int64]], NDArray[np.intp]]:
    """The distinct rows of columns of one length, in ascending order, and which of them each row is. Ranges of the columns
    multiplied fit 63 bits, or each is numbered first."""
    code = np.zeros(len(columns[0]), np.int64)
    room = 1
    for column in columns:
        least = int(column.min(initial=0))
        width = int(column.max(initial=0)) - least + 1
        if room * width >= 1 << 62:
            _, code = np.unique(code, return_inverse=True)
            room = int(code.max(initial=0)) + 1
        code = code * width + (column - least)
        room *= width
    _, first, where = np.unique(code, return_index=True, return_inverse=True)
    return [column[first] for column in columns], where.ravel()


class _OfCodePoints(Struct, frozen=True, eq=False):
    """Octets and packets by minute (from the first of all on) and DSCP; columns of one length."""

    at: NDArray[np.int64]
    dscp: NDArray[np.int64]
    octets: NDArray[np.float64]
    packets: NDArray[np.float64]


class MinutesCarried:
    """Carried (aggregator/carried.py), by sums of whole minutes, and by the flows of what is not in them.

    A minute of which only a part is asked for counts by that part of what of it the records reach over. sums: in any order;
    rest: flows that the sums know nothing of; reach_ms: from the first to the last of all records.
    """

    def __init__(
        self,
        sums: MinuteSums,
        decisions: Decisions,
        profile: Profile,
        rest: FlowsCarried | None = None,
        reach_ms: Span | None = None,
    ) -> None:
        self._reach = reach_ms
        self._profile = profile
        self._rest = rest
        self._series = 2 * len(profile.link)
        self.first = int(sums.minute.min()) if len(sums) else 0
        self.minutes = int(sums.minute.max()) + 1 - self.first if len(sums) else 0
        self.alive = np.zeros(self.minutes, np.bool_)  # minutes in which any record lies
        self.alive[sums.minute - self.first] = True
        self.not_counted = 0  # records on a link that repeat others at its other metering point
        shape = (self._series, self.minutes)
        self.wire, self.octets, self.packets, self.peak, self.flows = (np.zeros(shape) for _ in range(5))
        self._least, self._most = np.zeros(shape), np.zeros(shape)
        self._of_code_points: dict[int, list[_OfCodePoints]] = {}
        for series, chosen, others in by_series(sums, decisions, profile):
            self._add(series, sums.at(chosen))
            self.not_counted += int(sums.amounts["flows"][others].sum())

    def _add(self, series: int, rows: MinuteSums) -> None:
        """Rows that count on a link and direction."""
        link = self._profile.link[series // 2]
        padded = PER_PACKET[link.framing].least * rows.amounts["most_packets"]
        at = rows.minute - self.first
        for total, values in (
            (self.wire, rows.wire(link)),
            (self.octets, rows.amounts["octets"]),
            (self.packets, rows.amounts["packets"]),
            (self.flows, rows.amounts["flows"]),
            (self.peak, rows.amounts["peak"]),
            (self._least, rows.wire(link, "least_octets", "least_packets")),
            (self._most, rows.wire(link, "most_octets", "most_packets") + padded),
        ):
            total[series] += np.bincount(at, values, self.minutes)
        both = rows.amounts["octets"], rows.amounts["packets"]
        self._of_code_points.setdefault(series, []).append(_OfCodePoints(at, rows.dscp, *both))

    @property
    def alive_ms(self) -> NDArray[np.int64]:
        """Begin of each minute in which any record lies, ascending, ms since 1970 UTC."""
        return (self.first + np.flatnonzero(self.alive)) * MINUTE_MS

    def totals(self, span_ms: Span) -> NDArray[np.float64]:
        part = self._part(span_ms)
        own = np.stack([self.wire @ part, self.octets @ part])
        return own if self._rest is None else own + self._rest.totals(span_ms)

    def usage(self, grid: WindowGrid, *, with_bounds: bool = False) -> Usage:
        """Raises ValueError for windows that are not of whole minutes."""
        if grid.start_ms % MINUTE_MS or grid.window_ms % MINUTE_MS:
            raise ValueError("sums of minutes make windows of whole minutes only")
        shape = (len(self._profile.link), 2, grid.windows)
        window = (
            self.first * MINUTE_MS - grid.start_ms + MINUTE_MS * np.arange(self.minutes)
        ) // grid.window_ms
        kept = np.flatnonzero((window >= 0) & (window < grid.windows))
        part = self._part((grid.start_ms, grid.end_ms))[kept]

        def on_grid(values: NDArray[np.float64]) -> NDArray[np.float64]:
            rows = [np.bincount(window[kept], of_series[kept] * part, grid.windows) for of_series in values]
            return np.stack(rows).astype(np.float64).reshape(shape)

        wire, octets, packets = map(on_grid, (self.wire, self.octets, self.packets))
        lower = upper = None
        if with_bounds:
            lower, upper = on_grid(self._least), on_grid(self._most)
        if self._rest is not None:
            rest = self._rest.usage(grid, with_bounds=with_bounds)
            wire, octets, packets = wire + rest.wire_octets, octets + rest.ip_octets, packets + rest.packets
            if lower is not None and upper is not None:
                lower, upper = lower + _there(rest.lower), upper + _there(rest.upper)
        return Usage(
            start_ms=grid.start_ms,
            window_ms=grid.window_ms,
            links=tuple(link.name for link in self._profile.link),
            wire_octets=wire,
            ip_octets=octets,
            packets=packets,
            lower=lower,
            upper=upper,
        )

    def by_code_point(self, link: int, direction: int, span_ms: Span) -> NDArray[np.float64]:
        found = np.zeros((2, CODE_POINTS))
        part = self._part(span_ms)
        for rows in self._of_code_points.get(2 * link + direction, ()):
            inside = part[rows.at]
            for total, values in zip(found, (rows.octets, rows.packets), strict=True):
                total += np.bincount(rows.dscp + 1, values * inside, CODE_POINTS)
        return found if self._rest is None else found + self._rest.by_code_point(link, direction, span_ms)

    def touches(self, span_ms: Span) -> bool:
        own = bool((self.alive & (self._part(span_ms) > 0)).any())
        return own or (self._rest is not None and self._rest.touches(span_ms))

    def _part(self, span_ms: Span) -> NDArray[np.float64]:
        """How much of each minute lies in [from, to), 0 to 1."""
        begins = MINUTE_MS * (self.first + np.arange(self.minutes, dtype=np.int64))
        ends = begins + MINUTE_MS
        if self._reach is not None:
            begins = np.maximum(begins, self._reach[0])
            ends = np.maximum(np.minimum(ends, self._reach[1]), begins + 1)
        inside = np.minimum(ends, span_ms[1]) - np.maximum(begins, span_ms[0])
        part: NDArray[np.float64] = np.maximum(inside, 0) / (ends - begins)
        return part


def _there(values: NDArray[np.float64] | None) -> NDArray[np.float64]:
    assert values is not None
    return values


def by_series(
    sums: MinuteSums, decisions: Decisions, profile: Profile
) -> Iterator[tuple[int, NDArray[np.intp], NDArray[np.intp]]]:
    """Each link and direction (link * 2 + direction) with the rows that count on it and those that are on it and do not."""
    if not decisions.links_apart:
        return
    link_of = InterfaceLinks(profile).of
    for direction, interfaces in ((DOWN, sums.ingress), (UP, sums.egress)):
        link = link_of(interfaces)
        rows = np.flatnonzero(link >= 0)
        counts = decisions.counts[sums.source[rows], link[rows], direction, sums.metered[rows]]
        for number in np.unique(link[rows]).tolist():
            here = link[rows] == number
            yield 2 * number + direction, rows[here & counts], rows[here & ~counts]
