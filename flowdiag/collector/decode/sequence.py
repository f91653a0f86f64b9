"""Loss from sequence numbers, by the reading of them that the stream itself supports.

Facts the design follows:
- IPFIX counts data records of a domain, options included (RFC 7011 3.1); v9 counts export packets of a source
  id (RFC 3954 5.1); v5 counts flow records, and the header names the first one (common practice);
- exporters bend this: one counter for all domains of a session, options left out, messages counted, v9 stepped
  by records, v5 naming the last record (common practice). A wrong reading breaks at nearly every message, the
  right one only where something was lost, so all are kept and the one with the fewest breaks is believed;
- a gap below 2^31 is that much lost (RFC 7011 9), until late messages fill it;
- a single message far off is a stray, a run of messages near a new value is a restart; one that comes with a
  fresh uptime, or an IPFIX count of 0, is a restart at once;
- records of an unknown template cannot be counted, so a gap right after them is "undecoded or lost", and not
  reported as loss as far as they could hold it.
"""

from __future__ import annotations

from collections import defaultdict
from typing import Any, Final, NamedTuple

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.collector.decode.allowance import Allowance
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.sequence_readings import READINGS, Reading
from flowdiag.collector.decode.strides import Strides

_MODULUS: Final = 1 << 32
_HALF: Final = 1 << 31

# Units a stream may jump at once and be believed; farther, the next messages must confirm it.
NEAR: Final = 1 << 16
# Messages in a row that make a new value believable.
RUN: Final = 3
# How much later than known a start of the exporter must be to be another: header seconds are whole.
BOOT_SLACK_MS: Final = 5_000
# A reading with this many breaks, and as many times those of the best one, is given up.
HOPELESS_BREAKS: Final = 1000
HOPELESS_RATIO: Final = 20
# With more breaks than this in a stretch, looking for many gaps in a row pays.
MANY_BREAKS: Final = 64
# No record is believed to be smaller, when records of unknown width are to explain a gap.
LEAST_RECORD_OCTETS: Final = 4


class Messages(NamedTuple):
    """The messages of one session and protocol, in order of arrival, one value a message."""

    domains: NDArray[np.int64]  # index of the domain
    sequence: NDArray[np.uint32]
    records: NDArray[np.int64]  # data records, options included
    options: NDArray[np.int64]  # options records
    unknown_octets: NDArray[np.int64]  # of data sets without a template
    export_ms: NDArray[np.int64]
    boot_ms: NDArray[np.int64]  # when the exporter started: export time minus uptime in v5 and v9, else 0


def selected(messages: Messages, chosen: NDArray[Any] | slice) -> Messages:
    """Some of the messages, in the order chosen."""
    return Messages(
        messages.domains[chosen],
        messages.sequence[chosen],
        messages.records[chosen],
        messages.options[chosen],
        messages.unknown_octets[chosen],
        messages.export_ms[chosen],
        messages.boot_ms[chosen],
    )


class Gap(Struct):
    """Units missing from start on (modulo 2^32), noticed at time_ms in a message of a domain; since_ms: when the message
    before was exported.
    """

    start: int
    units: int
    time_ms: int
    domain: int
    since_ms: int


class Restart(NamedTuple):
    """An exporter that began to count anew: in a message of a domain at time_ms, the one before at since_ms."""

    domain: int
    since_ms: int
    time_ms: int


class Tracker:
    """One counter followed through a stream by one reading. allowance: gaps kept of all trackers."""

    def __init__(self, limits: Limits, allowance: Allowance) -> None:
        self._limits = limits
        self._allowance = allowance
        self.expected: int | None = None
        self.breaks = 0
        self.open: list[Gap] = []
        self.settled: list[Gap] = []
        self.restarts: list[Restart] = []
        self.undecoded: dict[int, int] = defaultdict(int)
        self._first_seen = 0
        self._first_ms = 0
        self._boot_ms = 0
        self._slack = 0
        self._last_ms = 0
        self._run_start = 0
        self._run_times = (0, 0)
        self._run_next: int | None = None
        self._run_length = 0

    @property
    def gaps(self) -> list[Gap]:
        return [*self.settled, *self.open]

    def forget(self, before_ms: int) -> None:
        """Lets go of what has been reported: gaps noticed before a time, restarts, undecoded units. Late messages
        may still fill the others."""
        count = len(self.gaps)
        self.settled = []
        self.open = [gap for gap in self.open if gap.time_ms >= before_ms]
        self._allowance.give_back(count - len(self.open))
        self.restarts.clear()
        self.undecoded.clear()

    def add(
        self,
        first: NDArray[np.uint32],
        units: NDArray[np.int64],
        slack: NDArray[np.int64],
        messages: Messages,
        *,
        restarts_at_zero: bool,
    ) -> None:
        """Messages in order of arrival: first unit, number of units, units that could not be counted."""
        count = len(first)
        if not count:
            return
        ends = (first + units.astype(np.uint32)).astype(np.uint32)
        breaks = np.flatnonzero(first[1:] != ends[:-1]) + 1
        next_break = at = 0
        strides = Strides()
        columns: tuple[Any, ...] = (
            first,
            ends,
            units,
            messages.domains,
            messages.export_ms,
            messages.boot_ms,
        )
        if len(breaks) > MANY_BREAKS:  # one by one, plain lists are read several times as fast
            columns = tuple(column.tolist() for column in columns)
        firsts, stops, unit_counts, domains, export_ms, boots_ms = columns
        if self.expected is None:
            self.expected = self._first_seen = int(first[0])
            self._first_ms, self._boot_ms = int(messages.export_ms[0]), int(messages.boot_ms[0])
        while at < count:
            if int(firsts[at]) == self.expected:
                next_break += int(np.searchsorted(breaks[next_break:], at, side="right"))
                stop = int(breaks[next_break]) if next_break < len(breaks) else count
                self.expected = int(ends[stop - 1])
                self._slack = int(slack[stop - 1])
                self._run_next = None
                at = stop
                continue
            if len(breaks) > MANY_BREAKS and strides.due(at):
                taken = self._missing_before_each(first, ends, slack, messages, at, strides.most)
                strides.took(taken, at)
                if taken:
                    at += taken
                    continue
            self.breaks += 1
            domain, time_ms = int(domains[at]), int(export_ms[at])
            boot_ms = int(boots_ms[at])
            start, end = int(firsts[at]), int(stops[at])
            fresh = boot_ms > self._boot_ms + BOOT_SLACK_MS or (restarts_at_zero and start == 0)
            since_ms = int(export_ms[at - 1]) if at else self._last_ms
            times = (min(since_ms, time_ms), time_ms)
            if self._take(start, end, int(unit_counts[at]), times, domain, fresh=fresh):
                self.expected = end
                self._slack = int(slack[at])
                self._boot_ms = max(self._boot_ms, boot_ms)
            at += 1
        self._last_ms = int(messages.export_ms[-1])

    def _missing_before_each(
        self,
        first: NDArray[np.uint32],
        ends: NDArray[np.uint32],
        slack: NDArray[np.int64],
        messages: Messages,
        at: int,
        most: int,
    ) -> int:
        """Takes in one step what _take() would one by one: messages from index `at` on, so many at most, that each come
        a little after a gap, as a wrong reading sees all of them. Gives how many.
        """
        if not at or self._slack or self.expected != int(ends[at - 1]):
            return 0
        # What a step would find at its start.
        if not 0 < (int(first[at]) - int(ends[at - 1])) % _MODULUS < NEAR:
            return 0
        stop = min(len(first), at + most)
        ahead = first[at:stop] - ends[at - 1 : stop - 1]
        missing = (ahead > 0) & (ahead < NEAR) & (slack[at - 1 : stop - 1] == 0)
        count = len(missing) if missing.all() else int(missing.argmin())
        if not count or self._allowance.taken + count > self._allowance.most:
            return 0
        here, before = slice(at, at + count), slice(at - 1, at + count - 1)
        times, domains = messages.export_ms[here], messages.domains[here].tolist()
        since = np.minimum(messages.export_ms[before], times)
        columns = (ends[before], ahead[:count], times, since)
        starts, units, times_ms, since_ms = (column.tolist() for column in columns)
        self.open += map(Gap, starts, units, times_ms, domains, since_ms)
        self._allowance.taken += count
        self._settle(len(self.open) - self._limits.open_gaps)
        for domain in dict.fromkeys(domains):
            self.undecoded[domain] += 0
        self.breaks += count
        self.expected = int(ends[at + count - 1])
        self._slack = int(slack[at + count - 1])
        self._boot_ms = max(self._boot_ms, int(messages.boot_ms[here].max()))
        self._run_next = None
        return count

    def _take(
        self, start: int, end: int, units: int, times: tuple[int, int], domain: int, *, fresh: bool
    ) -> bool:
        """A message that was not expected. times: export time in ms of the message before it and its own. True if what
        follows it is expected next.
        """
        assert self.expected is not None
        ahead = (start - self.expected) % _MODULUS
        if 0 < ahead < NEAR:
            self._miss(self.expected, ahead, times, domain)
            self._run_next = None
            return True
        behind = _MODULUS - ahead
        if behind <= _HALF:
            if self._fill(start, units):
                return False
            if self._before_first(start, end, times[1], domain):
                return False
            if fresh:
                self._restart(times, domain)
                return True
        return self._confirmed(start, end, times, domain)

    def _confirmed(self, start: int, end: int, times: tuple[int, int], domain: int) -> bool:
        """Whether a run of messages confirms a value far from the expected one."""
        assert self.expected is not None
        if start == self._run_next:
            self._run_length += 1
        else:
            self._run_start, self._run_length, self._run_times = start, 1, times
        self._run_next = end
        if self._run_length < RUN:
            return False
        ahead = (self._run_start - self.expected) % _MODULUS
        if ahead < _HALF:
            self._miss(self.expected, ahead, times, domain)
        else:
            self._restart(self._run_times, domain)
        self._run_next = None
        return True

    def _restart(self, times: tuple[int, int], domain: int) -> None:
        self.restarts.append(Restart(domain, *times))
        self._run_next = None
        self._first_seen = -1
        self._settle(len(self.open))

    def _miss(self, start: int, units: int, times: tuple[int, int], domain: int) -> None:
        explained = min(units, self._slack)
        self.undecoded[domain] += explained
        if units > explained:
            since_ms, time_ms = times
            self._open(Gap((start + explained) % _MODULUS, units - explained, time_ms, domain, since_ms))

    def _open(self, *gaps: Gap, instead_of: int | None = None) -> None:
        """Waits for late messages in gaps: a new one, or what is left of one at an index."""
        before = len(self.open)
        index = before if instead_of is None else instead_of
        self.open[index : index + 1] = gaps
        self._allowance.taken += len(self.open) - before
        self._settle(len(self.open) - self._limits.open_gaps)
        if self._allowance.taken > self._allowance.most:
            self._settle(1)

    def _settle(self, count: int) -> None:
        """No longer waits for late messages in the oldest gaps; too many of them are added up."""
        for gap in self.open[: max(count, 0)]:
            if self.settled and self._allowance.taken > self._allowance.most:
                self.settled[-1].units += gap.units
                self._allowance.give_back(1)
            else:
                self.settled.append(gap)
        del self.open[: max(count, 0)]

    def _fill(self, start: int, units: int) -> bool:
        """Takes a late message out of the gap it belongs to."""
        for index, gap in enumerate(self.open):
            into = (start - gap.start) % _MODULUS
            if into < gap.units:
                after = gap.units - into - min(units, gap.units - into)
                pieces = [Gap(gap.start, into, gap.time_ms, gap.domain, gap.since_ms)] if into else []
                if after:
                    rest = (gap.start + gap.units - after) % _MODULUS
                    pieces.append(Gap(rest, after, gap.time_ms, gap.domain, gap.since_ms))
                self._open(*pieces, instead_of=index)
                return True
        return False

    def _before_first(self, start: int, end: int, time_ms: int, domain: int) -> bool:
        """A late message from before the first one seen: the stream starts with it."""
        ahead = (self._first_seen - end) % _MODULUS
        if self._first_seen < 0 or time_ms > self._first_ms or ahead >= NEAR:
            return False
        if ahead:
            self._open(Gap(end, ahead, time_ms, domain, time_ms))
        self._first_seen = start
        return True


class Sequences:
    """The sequence numbers of one session and protocol, by all readings at once."""

    def __init__(self, version: int, limits: Limits, allowance: Allowance) -> None:
        self._version = version
        self._limits = limits
        self._allowance = allowance
        self._readings = READINGS[version]
        self._trackers: list[dict[int, Tracker]] = [{} for _ in self._readings]
        self._given_up: set[int] = set()

    def add(self, messages: Messages) -> None:
        """Messages in order of arrival."""
        order = np.argsort(messages.domains, kind="stable")
        by_domain = selected(messages, order)
        numbers, starts = np.unique(by_domain.domains, return_index=True)
        stops = [*starts[1:].tolist(), len(order)]
        parts = [
            (int(number), selected(by_domain, slice(start, stop)))
            for number, start, stop in zip(numbers, starts, stops, strict=True)
        ]
        for index, reading in enumerate(self._readings):
            if index not in self._given_up:
                for number, part in [(-1, messages)] if reading.whole_session else parts:
                    self._follow(self._trackers[index], number, reading, part)
        self._give_up()

    def _follow(
        self, trackers: dict[int, Tracker], number: int, reading: Reading, messages: Messages
    ) -> None:
        tracker = trackers.get(number)
        if tracker is None:
            tracker = trackers[number] = Tracker(self._limits, self._allowance)
        if reading.unit == "messages":
            units = np.ones(len(messages.sequence), np.int64)
            slack = np.zeros(len(messages.sequence), np.int64)
        else:
            units = messages.records - (messages.options if reading.unit == "flow records" else 0)
            slack = messages.unknown_octets // LEAST_RECORD_OCTETS
        first = messages.sequence
        if reading.names_last:
            first = (first - units.astype(np.uint32) + np.uint32(1)).astype(np.uint32)
        tracker.add(first, units, slack, messages, restarts_at_zero=self._version == 10)

    def _give_up(self) -> None:
        breaks = self._breaks()
        best = min(breaks)
        for index, count in enumerate(breaks):
            if count >= HOPELESS_BREAKS and count > HOPELESS_RATIO * best:
                self._given_up.add(index)
                for tracker in self._trackers[index].values():
                    self._allowance.give_back(len(tracker.gaps))
                    tracker.open, tracker.settled = [], []

    def _breaks(self) -> list[int]:
        return [sum(tracker.breaks for tracker in trackers.values()) for trackers in self._trackers]

    def forget(self, before_ms: int) -> None:
        """See Tracker.forget()."""
        for trackers in self._trackers:
            for tracker in trackers.values():
                tracker.forget(before_ms)

    def count_anew(self) -> None:
        """What comes next is not compared with what came."""
        for trackers in self._trackers:
            for tracker in trackers.values():
                self._allowance.give_back(len(tracker.gaps))
            trackers.clear()

    def forget_domain(self, number: int, *, whole: bool) -> None:
        """A domain is forgotten. whole: so is the session."""
        for trackers in self._trackers:
            for one in (number, -1) if whole else (number,):
                if tracker := trackers.pop(one, None):
                    self._allowance.give_back(len(tracker.gaps))

    def believed(self) -> tuple[Reading, list[Tracker]]:
        """The reading that fits best so far, the standard one if several do, and its trackers."""
        breaks = self._breaks()
        index = breaks.index(min(breaks))
        return self._readings[index], list(self._trackers[index].values())
