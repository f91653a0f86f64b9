"""A decoder for each exporter, with bounds of its own: what one sends costs no other its templates, its slot or its time.

Facts the design follows:
- senders can be made up without end (RFC 7011 11.4). Who never had a flow record decoded is a newcomer: newcomers have a
  table of their own size, and a share of the time. A made-up sender pushes out another newcomer, nobody who is known;
- of those who are known the one goes that is worth the least (ExporterState.rank), and of these the one that was not
  heard for the longest time;
- each newcomer that has flow records gets folders in the store, so only so many a day are let in. Those who have
  folders already, and those whom --allow lists one by one, need not be let in;
- exporters have turns: some hundred messages each, as often as they come. What an exporter costs has to be in proportion
  to its flow records; what costs more, and who is not let in, has to wait: its messages are put aside.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from typing import Final, Protocol

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.knowledge import Seed
from flowdiag.collector.live.copies import Copies
from flowdiag.collector.live.exporter_state import ExporterState
from flowdiag.collector.live.kept import Kind
from flowdiag.durations import DAY_MS

# Messages that are sorted by exporter at a time: asking a decoder after each whether a batch is ready would cost more.
CHUNK: Final = 4_096
# Messages after which the time is looked at, and their octets.
TURN: Final = 64
TURN_OCTETS: Final = 128 << 10
MAX_EXPORTERS: Final = 2_048
# Of these, newcomers at the same time, and newcomers of a UTC day who get a folder in the store. A larger fleet that is new
# is listed, or has to wait.
MAX_NEWCOMERS: Final = 512
MAX_ADMITTED: Final = 256
# Octets that all exporters of a worker may make it keep: a tenth of a megabyte each where there are thousands, which is
# more than a router with a hundred templates needs. Beyond it, who keeps more than its share has to wait.
MAX_ALL_OCTETS: Final = 192 << 20
SHARE_OCTETS: Final = MAX_ALL_OCTETS // MAX_EXPORTERS
# Octets that wait in all decoders for a batch to be full.
MAX_PENDING_OCTETS: Final = 48 << 20
# Seconds of work that an exporter may make for nothing in a segment, and for each of its flow records: a hundred times
# what one costs where messages are full, ten times where each has its own message.
FREE_S: Final = 1.0
PER_RECORD_S: Final = 200e-6
# What a columnar step will cost that has to be made yet, in seconds: half a millisecond, measured, however few records it is
# for. A datagram has room for two thousand templates with a record each.
STEP_S: Final = 500e-6
# The same of all newcomers together, and for each second in which a segment was received.
NEWCOMERS_FREE_S: Final = 0.5
NEWCOMERS_SHARE: Final = 0.2


class Aside(Protocol):
    """Where messages are put that are to be decoded later."""

    def add(self, kind: Kind, datagram: Datagram) -> None: ...


class Nowhere:
    """Puts nothing aside, but counts."""

    def __init__(self) -> None:
        self.messages = 0

    def add(self, kind: Kind, datagram: Datagram) -> None:
        self.messages += 1


class Interrupted(Exception):
    """Decoding was stopped in the middle."""


class Decoders:
    """The exporters that are known, the one heard last at the end, and newcomers.

    in_store: exporters that have folders; clock: gives seconds.
    """

    def __init__(
        self, in_store: Iterable[bytes] = (), *, clock: Callable[[], float] = time.thread_time
    ) -> None:
        self.aside: Aside = Nowhere()  # where to put what cannot be decoded now
        self.late = False  # whether what comes was put off before
        self.listed: frozenset[bytes] = frozenset()  # exporters that are always let in
        self.forgotten = 0  # exporters that had to go
        self._clock = clock
        self._copies = Copies()
        self._in_store = set(in_store)
        self._states: OrderedDict[bytes, ExporterState] = OrderedDict()
        self._newcomers: OrderedDict[bytes, None] = OrderedDict()
        self._touched: dict[bytes, ExporterState] = {}
        self._octets: dict[bytes, int] = {}
        self._all_octets = 0
        self._spent_on_newcomers = 0.0
        self._began_ms: int | None = None
        self._day = 0
        self._admitted = 0

    def __len__(self) -> int:
        return len(self._states)

    def get(self, exporter: bytes) -> ExporterState | None:
        return self._states.get(exporter)

    def learn(self, seed: Seed) -> None:
        """Starts with what is known of before."""
        by_exporter: dict[bytes, tuple[list[Datagram], list[Datagram]]] = {}
        for index, datagrams in enumerate((seed.taught, seed.last)):
            for datagram in datagrams:
                self._copies.add(datagram)
                by_exporter.setdefault(datagram.session.exporter, ([], []))[index].append(datagram)
        for exporter, (taught, last) in by_exporter.items():
            state = self._states[exporter] = ExporterState(self._unread)
            state.learn(taught, last)
            self._count_octets(exporter, state)
            if not state.proven:
                self._newcomers[exporter] = None
        self.bound()

    def take(
        self, datagrams: Iterable[Datagram], file: str, ended: Callable[[], bool] = lambda: False
    ) -> Iterator[ExporterState]:
        """Decodes messages; gives each state that has batches ready, now and then. ended: asked whether to stop.

        Raises Interrupted."""
        left = iter(datagrams)
        while chunk := list(islice(left, CHUNK)):
            if ended():
                raise Interrupted
            by_exporter: dict[bytes, list[Datagram]] = {}
            copies: list[Datagram] = []
            for datagram in chunk if self.late else self._copies.without(chunk, copies):
                exporter = datagram.session.exporter
                messages = by_exporter.get(exporter)
                if messages is None:
                    messages = by_exporter[exporter] = []
                messages.append(datagram)
            now_ms = chunk[0].time_ms or 0
            if self._began_ms is None:
                self._began_ms = now_ms
            for exporter, messages in by_exporter.items():
                self._put_off(exporter, self._turns(exporter, messages, file, now_ms))
            self._pass_over(copies)
            yield from (self._states[exporter] for exporter in by_exporter if exporter in self._states)
            if sum(state.decoder.pending_octets for state in self._touched.values()) > MAX_PENDING_OCTETS:
                for state in self._touched.values():
                    state.decoder.flush()
                    yield state

    def touched(self) -> list[ExporterState]:
        """The states that messages came for since the last call, in order of their exporters."""
        states = [state for _, state in sorted(self._touched.items())]
        self._touched.clear()
        self._spent_on_newcomers = 0.0
        self._began_ms = None
        return states

    def states(self) -> list[ExporterState]:
        """All of them."""
        return list(self._states.values())

    def bound(self) -> None:
        """After a segment: forgets exporters beyond MAX_EXPORTERS and, as long as all keep more than MAX_ALL_OCTETS, those over
        their share; the least worth first."""
        for exporter, state in self._states.items():
            self._count_octets(exporter, state)
        ranked = [(state.rank, exporter) for exporter, state in self._states.items()]
        ranked.sort(key=lambda one: one[0])  # stable: in each rank those first that were not heard for long
        for _, exporter in ranked[: max(len(ranked) - MAX_EXPORTERS, 0)]:
            self._forget(exporter)
        if self._all_octets > MAX_ALL_OCTETS:
            for _, exporter in sorted(ranked, key=lambda one: (one[0], -self._octets.get(one[1], 0))):
                if self._all_octets <= MAX_ALL_OCTETS:
                    break
                if self._octets.get(exporter, 0) > SHARE_OCTETS:
                    self._forget(exporter)

    def lets_in(self, exporter: bytes, day: int) -> bool:
        """Whether messages of an exporter would be decoded now."""
        return exporter in self._states or self._is_admitted(exporter) or self._admissions_left(day) > 0

    def seed(self) -> Seed:
        """What is known of all exporters."""
        seeds = [state.knowledge.seed() for state in self._states.values()]
        return Seed(
            tuple(datagram for seed in seeds for datagram in seed.taught),
            tuple(datagram for seed in seeds for datagram in seed.last),
        )

    def _pass_over(self, copies: Iterable[Datagram]) -> None:
        for datagram in copies:
            exporter = datagram.session.exporter
            if state := self._states.get(exporter):
                state.pass_over(datagram)
                self._touched[exporter] = state

    def _state(self, exporter: bytes, now_ms: int) -> ExporterState | None:
        """The state of an exporter that has a message; None if it has to wait."""
        state = self._states.get(exporter)
        if state is None:
            most = MAX_NEWCOMERS
            if not self._is_admitted(exporter):
                most = min(most, self._admissions_left(now_ms // DAY_MS))
            if not most or not self._newcomers_have_time(now_ms):
                return None
            if len(self._states) >= MAX_EXPORTERS + MAX_NEWCOMERS:
                return None
            while len(self._newcomers) >= most:
                self._forget(next(iter(self._newcomers)))
            state = self._states[exporter] = ExporterState(self._unread)
            self._newcomers[exporter] = None
        self._touched[exporter] = state
        self._states.move_to_end(exporter)
        if exporter in self._newcomers:
            self._newcomers.move_to_end(exporter)
        return state

    def _turns(self, exporter: bytes, messages: list[Datagram], file: str, now_ms: int) -> list[Datagram]:
        """Lets an exporter have turns as long as it is worth its while. Gives the messages that were not taken."""
        began = self._clock()
        state = self._state(exporter, now_ms)  # a new one costs as well, and so does the one that goes for it
        if state is None:
            return messages
        if self.late:
            state.disorder()
        in_order = True
        while messages and self._may_go_on(exporter, state, now_ms):
            if in_order and state.spent > FREE_S / 2:
                messages, in_order = state.in_turn(messages), False
            turn, steps = _turn(messages), state.groups
            state.take(turn, file)
            messages = messages[len(turn) :]
            now = self._clock()
            took, began = now - began + STEP_S * (state.groups - steps), now
            state.spent += took
            if exporter in self._newcomers:
                self._spent_on_newcomers += took
                if state.rows:
                    self._admit(exporter)
            self._count_octets(exporter, state)
        return messages

    def _put_off(self, exporter: bytes, messages: list[Datagram]) -> None:
        if messages and (state := self._states.get(exporter)):
            state.disorder()
        for datagram in messages:
            self.aside.add("later", datagram)

    def _may_go_on(self, exporter: bytes, state: ExporterState, now_ms: int) -> bool:
        if state.spent > FREE_S + PER_RECORD_S * state.rows:
            return False
        if self._all_octets > MAX_ALL_OCTETS and self._octets.get(exporter, 0) > SHARE_OCTETS:
            return False
        return exporter not in self._newcomers or self._newcomers_have_time(now_ms)

    def _newcomers_have_time(self, now_ms: int) -> bool:
        received_s = (now_ms - (self._began_ms or now_ms)) / 1000
        return self._spent_on_newcomers <= NEWCOMERS_FREE_S + NEWCOMERS_SHARE * received_s

    def _admissions_left(self, day: int) -> int:
        if day > self._day:
            self._day, self._admitted = day, 0
        return MAX_ADMITTED - self._admitted

    def _admit(self, exporter: bytes) -> None:
        """A newcomer has its first flow records."""
        del self._newcomers[exporter]
        if not self._is_admitted(exporter):
            self._in_store.add(exporter)
            self._admitted += 1

    def _is_admitted(self, exporter: bytes) -> bool:
        """Whether an exporter may have folders in the store without being let in."""
        return exporter in self._in_store or exporter in self.listed

    def _forget(self, exporter: bytes) -> None:
        state = self._states.pop(exporter)
        if self._touched.pop(exporter, None) is not None:
            state.cut(last=True)  # a newcomer, without flow records; its data sets are put aside
        self._newcomers.pop(exporter, None)
        self._all_octets -= self._octets.pop(exporter, 0)
        self.forgotten += 1

    def _count_octets(self, exporter: bytes, state: ExporterState) -> None:
        octets = state.octets
        self._all_octets += octets - self._octets.get(exporter, 0)
        self._octets[exporter] = octets

    def _unread(self, datagram: Datagram) -> None:
        state = self._states.get(datagram.session.exporter)
        self.aside.add("known" if state is not None and state.proven else "new", datagram)


def _turn(messages: list[Datagram]) -> list[Datagram]:
    """The messages of one turn: up to TURN of them and TURN_OCTETS, at least one."""
    octets = 0
    for count, datagram in enumerate(messages[:TURN], 1):
        octets += len(datagram.payload)
        if octets > TURN_OCTETS:
            return messages[:count]
    return messages[:TURN]
