"""What flows sent in each minute, by kind of record: spread evenly over each flow's own time, and then made whole.

Facts the design follows:
- most records lie within one minute, and whole numbers are added there; of those that cross a minute's end, what falls in
  their first and last minute is added there, and a difference array takes what flows through the minutes between, in two
  parts whose sums are exact (as aggregator/spread.py does it, where the reasons stand);
- rounding the running sum, and taking differences of that, makes whole numbers that add up to the whole: none is off by
  more than one;
- the most of any five seconds is a bound, so what flows through windows between may be rounded up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.chunks import chunks
from flowdiag.aggregator.framing import PER_PACKET
from flowdiag.durations import MINUTE_MS
from flowdiag.rollup.shape import PEAK_MS

PADDED_46: Final = PER_PACKET["wire"].least
PADDED_38: Final = PER_PACKET["pppoe"].least
# Behind RFC 2516 a packet counts as more than in any other framing, whatever its size.
_MOST_FRAMED: Final = PER_PACKET["pppoe"]

_PEAKS: Final = MINUTE_MS // PEAK_MS
_EXACT_BITS: Final = 52  # as in aggregator/spread.py
# Windows of five seconds that are held at a time, over all kinds of record: a busy file's kinds are done some at a time.
MAX_CELLS: Final = 1 << 21

SPREAD: Final = ("octets", "packets", "padding_46", "padding_38")
_EXACT: Final = ("flows", "least_octets", "least_packets", "most_octets", "most_packets")
COLUMNS: Final = (*SPREAD, *_EXACT, "peak")

Columns = dict[str, NDArray[Any]]


class Timed(Struct, frozen=True, eq=False):
    """Records to be spread: times in ms since 1970 UTC, whole octets and packets (float64), and the number of the series
    (int32) that each adds to; all of shape [n]."""

    start_ms: NDArray[np.int64]
    end_ms: NDArray[np.int64]
    octets: NDArray[np.float64]
    packets: NDArray[np.float64]
    series: NDArray[np.int32]

    def at(self, rows: slice | NDArray[np.intp]) -> Timed:
        return Timed(
            self.start_ms[rows], self.end_ms[rows], self.octets[rows], self.packets[rows], self.series[rows]
        )


def spread_minutes(parts: Sequence[Timed], series_count: int) -> Columns:
    """A row for each minute (minutes since 1970 UTC) and series that any record touches, in no particular order.

    Columns minute, series, and COLUMNS: those of the shape, not whole yet. There has to be a record.
    """
    first = min(int(part.start_ms.min()) for part in parts) // MINUTE_MS
    last = max(int(part.end_ms.max()) for part in parts) // MINUTE_MS
    minutes = last - first + 1
    at_once = max(MAX_CELLS // (minutes * _PEAKS), 1)
    found = []
    for low in range(0, series_count, at_once):
        count = min(at_once, series_count - low)
        sums = _Sums(first, minutes, count, parts)
        for part in parts:
            for step in chunks(len(part.series)):
                sums.add(_of_series(part.at(step), low, count, series_count))
        found.append(sums.rows(low))
    return {name: np.concatenate([columns[name] for columns in found]) for name in found[0]}


def made_whole(columns: Columns, totals: dict[str, NDArray[np.float64]]) -> Columns:
    """Rows of spread_minutes(), each minute and series once and in order of series and minute, with whole numbers (int64).

    totals: by name of what is spread, the sums of each series, whole numbers.
    """
    series = columns["series"]
    begins = np.flatnonzero(np.concatenate([[True], series[1:] != series[:-1]]))
    whole = {name: np.rint(columns[name]).astype(np.int64) for name in _EXACT}
    whole["peak"] = np.ceil(columns["peak"]).astype(np.int64)
    for name in SPREAD:
        of_series = totals[name].astype(np.int64)[series]
        whole[name] = _whole(columns[name], begins, of_series)
    return {name: columns[name] for name in ("minute", "series")} | whole


def _whole(
    values: NDArray[np.float64], begins: NDArray[np.intp], total: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Differences of the rounded running sums within each run; each run adds up to its total (of each row)."""
    floors = np.floor(values)
    running = np.cumsum(floors.astype(np.int64))
    rests = np.cumsum(values - floors)
    lengths = np.diff(begins, append=len(values))
    before = np.concatenate([[0], running])[begins]
    rests_before = np.concatenate([[0.0], rests])[begins]
    running -= np.repeat(before, lengths)
    running += np.rint(rests - np.repeat(rests_before, lengths)).astype(np.int64)
    ends = begins + lengths - 1
    running = np.minimum(running, total)
    running[ends] = total[ends]
    made = np.diff(running, prepend=0)
    made[begins] = running[begins]
    return made


def paddings(octets: NDArray[np.float64], packets: NDArray[np.float64], least: int) -> NDArray[np.float64]:
    """Octets that short packets are padded with, by each flow's mean. Shape [n]."""
    padded: NDArray[np.float64] = np.maximum(least * packets - octets, 0.0)
    return padded


def some_paddings(
    octets: NDArray[np.float64], packets: NDArray[np.float64]
) -> dict[str, NDArray[np.float64]]:
    """What is padded to 46 octets and to 38, by name of their columns; without those in which there is nothing."""
    found: dict[str, NDArray[np.float64]] = {}
    for name, least in (("padding_46", PADDED_46), ("padding_38", PADDED_38)):
        if not (octets < least * packets).any():  # nor any of less
            break
        found[name] = paddings(octets, packets, least)
    return found


def _of_series(part: Timed, low: int, count: int, all_of_them: int) -> Timed:
    if count == all_of_them:
        return part
    series = part.series - np.int32(low)
    rows = np.flatnonzero((series >= 0) & (series < count))
    part = part.at(rows)
    return Timed(part.start_ms, part.end_ms, part.octets, part.packets, series[rows])


class _Sums:
    """Sums by series and minute, and by series and five seconds, of records that are added some at a time."""

    def __init__(self, first: int, minutes: int, count: int, parts: Sequence[Timed]) -> None:
        self._first, self._minutes, self._count = first, minutes, count
        cells = count * minutes
        self._sums = {name: np.zeros(cells) for name in (*SPREAD, *_EXACT)}
        # What changes where a minute ends; one more of them, behind the last.
        changing = count * (minutes + 1)
        self._changes = {name: np.zeros((2, changing)) for name in SPREAD}
        self._touching = {name: np.zeros(changing) for name in ("most_octets", "most_packets")}
        self._quanta = {}
        octets = sum(float(part.octets.sum()) for part in parts)
        packets = sum(float(part.packets.sum()) for part in parts)
        rows = sum(len(part.series) for part in parts)
        for name, total in zip(
            SPREAD, (octets, packets, PADDED_46 * packets, PADDED_38 * packets), strict=True
        ):
            quantum = _quantum(total)
            self._quanta[name] = quantum, _quantum(quantum * rows)
        self._peaks = np.zeros(cells * _PEAKS)
        self._peak_changes = np.zeros(count * (minutes * _PEAKS + 1))
        framed = octets + (_MOST_FRAMED.least + _MOST_FRAMED.added) * packets
        self._peak_quantum = _quantum(framed + rows)

    def add(self, part: Timed) -> None:
        if not len(part.series):
            return
        # Of some days, so that 32 bits hold all times and cells, which are worked out in half the time.
        start = (part.start_ms - self._first * MINUTE_MS).astype(np.int32)
        end = np.maximum((part.end_ms - self._first * MINUTE_MS).astype(np.int32), start + 1)
        series = part.series
        first, last = start // PEAK_MS, (end - 1) // PEAK_MS
        self._add_peaks(part, start, end, first, last, series)
        first //= _PEAKS
        last //= _PEAKS
        cell = first + series * self._minutes
        crossing = np.flatnonzero(first != last)
        values = {"octets": part.octets, "packets": part.packets}
        values |= some_paddings(part.octets, part.packets)
        self._add("flows", cell, None)
        inside = cell
        if len(crossing):
            inside = cell.copy()
            inside[crossing] = len(self._sums["flows"])  # one behind the last, which is left out
        for name, value in values.items():
            added = self._add(name, inside, value)
            if name in ("octets", "packets"):
                self._sums[f"least_{name}"] += added
        if len(crossing):
            crossed = {name: value[crossing] for name, value in values.items()}
            self._add_crossing(
                crossed, start[crossing], end[crossing], first[crossing], last[crossing], series[crossing]
            )

    def rows(self, low: int) -> Columns:
        """What was summed, where there is anything. low: the number of the first series."""
        sums = {name: column.reshape(self._count, self._minutes) for name, column in self._sums.items()}
        for name in SPREAD:
            if self._changes[name].any():
                changes = self._changes[name].reshape(2, self._count, self._minutes + 1)
                sums[name] += np.cumsum(changes, axis=2)[:, :, :-1].sum(axis=0)
        for name in ("octets", "packets"):
            touching = self._touching[f"most_{name}"].reshape(self._count, self._minutes + 1)
            sums[f"most_{name}"] += sums[f"least_{name}"] + np.cumsum(touching, axis=1)[:, :-1]
        through = np.cumsum(self._peak_changes.reshape(self._count, -1), axis=1)[:, :-1]
        peaks = self._peaks.reshape(self._count, -1) + through
        sums["peak"] = peaks.reshape(self._count, self._minutes, _PEAKS).max(axis=2)
        there = (sums["flows"] > 0) | (sums["most_octets"] > 0) | (sums["most_packets"] > 0)
        series, minute = np.nonzero(there)
        found: Columns = {name: column[there] for name, column in sums.items()}
        found |= {"minute": self._first + minute, "series": (low + series).astype(np.int32)}
        return found

    def _add(
        self, name: str, cells: NDArray[np.int32], values: NDArray[np.float64] | None
    ) -> NDArray[np.float64]:
        sums = self._sums[name]
        added = np.bincount(cells, values, len(sums) + 1)[: len(sums)].astype(np.float64, copy=False)
        sums += added
        return added

    def _add_crossing(
        self,
        values: dict[str, NDArray[np.float64]],
        start: NDArray[np.int32],
        end: NDArray[np.int32],
        first: NDArray[np.int32],
        last: NDArray[np.int32],
        series: NDArray[np.int32],
    ) -> None:
        """Records that lie in more than one minute. values: by name."""
        duration = end - start
        at_first, at_last = first + series * self._minutes, last + series * self._minutes
        last_part = (end - last * MINUTE_MS) / duration
        begin = first + series * (self._minutes + 1)
        stop = last + 1 + series * (self._minutes + 1)
        through = np.flatnonzero(last - first > 1)
        between = (last - first)[through] - 1
        middle_part = MINUTE_MS / duration[through]
        for name, value in values.items():
            in_last = value * last_part
            in_first = value - in_last
            if len(through):
                middle = value[through] * middle_part
                for changes, quantum in zip(self._changes[name], self._quanta[name], strict=True):
                    part = np.floor(middle / quantum) * quantum
                    middle -= part
                    in_first[through] -= part * between
                    changes += np.bincount(begin[through] + 1, part, len(changes))
                    changes -= np.bincount(stop[through] - 1, part, len(changes))
            self._add(name, at_first, np.maximum(in_first, 0.0))
            self._add(name, at_last, in_last)
            if name in ("octets", "packets"):
                touching = self._touching[f"most_{name}"]
                touching += np.bincount(begin, value, len(touching))
                touching -= np.bincount(stop, value, len(touching))

    def _add_peaks(
        self,
        part: Timed,
        start: NDArray[np.int32],
        end: NDArray[np.int32],
        first: NDArray[np.int32],
        last: NDArray[np.int32],
        series: NDArray[np.int32],
    ) -> None:
        framed = np.maximum(part.octets, _MOST_FRAMED.least * part.packets)
        framed += _MOST_FRAMED.added * part.packets
        windows = self._minutes * _PEAKS
        at_first = first + series * windows
        crossing = np.flatnonzero(last > first)
        start, end = start[crossing], end[crossing]
        last, first, base = last[crossing], first[crossing], series[crossing]
        # The rate, times the time in the first window; in windows between all of one.
        rate = framed[crossing] / (end - start)
        framed[crossing] = rate * ((first + 1) * PEAK_MS - start)
        self._peaks += np.bincount(at_first, framed, len(self._peaks))
        if not len(crossing):
            return
        in_window = rate * PEAK_MS
        in_last = in_window * ((end - last * PEAK_MS) / PEAK_MS)
        self._peaks += np.bincount(last + base * windows, in_last, len(self._peaks))
        through = np.flatnonzero(last - first > 1)
        if len(through):
            base = base[through] * (windows + 1)
            middle = np.ceil(in_window[through] / self._peak_quantum) * self._peak_quantum
            changes = self._peak_changes
            changes += np.bincount(first[through] + 1 + base, middle, len(changes))
            changes -= np.bincount(last[through] + base, middle, len(changes))


def _quantum(total: float) -> float:
    """A power of two so that any sum of multiples of it, up to this total, is exact in a double."""
    return math.ldexp(1.0, math.frexp(max(total, 1.0))[1] - _EXACT_BITS)
