"""A decoder for each exporter, with bounds of its own: what one sends costs no other its templates or its place.

Facts the design follows:
- all that a decoder keeps is bounded (decode/limits.py); shared, the bounds would be for whoever fills them first;
- exporters beyond MAX_EXPORTERS make the one go that was not heard for the longest time: senders can be forged, and
  real ones are taught again by their next templates. So many in one segment share a decoder from there on;
- an exporter that comes from a new port each time fills its table of sessions. Then it gets a new decoder, which is
  taught what the lately heard sessions told.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Final

import pyarrow as pa

from flowdiag.collector.datagram import Datagram, Session
from flowdiag.collector.decode.decoder import Decoder
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.knowledge import Knowledge, Seed
from flowdiag.collector.report import ExportReport

# Asking a decoder after each message whether a batch is ready would cost more than the message.
MESSAGES_BETWEEN_BATCHES: Final = 4_096
MAX_EXPORTERS: Final = 2_048
_OTHERS: Final = b""
# Sessions of one exporter: its ports, line cards and restarts.
MAX_SESSIONS: Final = 128
MAX_DOMAINS: Final = 256
# Messages with templates, names and rates kept of one exporter.
MAX_KNOWN_OCTETS: Final = 2 << 20
# What all exporters of a worker may make it keep: a tenth of a megabyte each where there are thousands, which is more
# than a router with a hundred templates needs.
MAX_ALL_OCTETS: Final = 256 << 20
LIMITS: Final = Limits(
    domains=MAX_DOMAINS,
    templates=1_024,
    template_octets=256 << 10,
    held_octets=4 << 20,
    recent_messages=32,
    names=8_192,
    all_samplers=4_096,
    gaps=4_096,
    running_totals=16_384,
)


@dataclass
class ExporterState:
    """An exporter's decoder, and what a new one would have to know."""

    decoder: Decoder = field(default_factory=lambda: Decoder(ExportReport(), limits=LIMITS))
    knowledge: Knowledge = field(
        default_factory=lambda: Knowledge(domains=MAX_DOMAINS, octets=MAX_KNOWN_OCTETS)
    )
    sessions: set[Session] = field(default_factory=set)
    session: Session | None = None

    @property
    def octets(self) -> int:
        """What is kept of this exporter."""
        return self.decoder.kept_octets + self.knowledge.octets

    def take(self, datagram: Datagram, file: str) -> None:
        """One message."""
        self.decoder.feed(datagram, file)
        self.knowledge.see(datagram)
        if datagram.session is not self.session:
            self.session = datagram.session
            self.sessions.add(datagram.session)

    def learn(self, taught: Iterable[Datagram], last: Iterable[Datagram]) -> None:
        """Takes what messages of before told, and where the sequence numbers stood; the newest counts."""
        taught = sorted(taught, key=_came)
        for datagram in taught:
            self.decoder.teach(datagram)
            self.knowledge.see(datagram)
        for datagram in sorted(last, key=_came):
            self.knowledge.see(datagram)
        for datagram in self.knowledge.seed().last:
            self.decoder.feed(datagram)
        self.decoder.cut(last=True)  # it was counted when it came

    def cut(self, *, last: bool = False) -> tuple[list[pa.RecordBatch], ExportReport]:
        """The rest of a segment: its flow records, and what it told. last: see Decoder.cut()."""
        full = len(self.sessions) > MAX_SESSIONS
        taken = self.decoder.cut(last=last or full)
        if full:
            seed = self.knowledge.seed()
            self.sessions.clear()
            self.decoder = Decoder(ExportReport(), limits=LIMITS)
            self.learn(seed.taught, seed.last)
        return taken


def _came(datagram: Datagram) -> int:
    return datagram.time_ms or 0


class Decoders:
    """The exporters heard lately, the latest last."""

    def __init__(self) -> None:
        self._states: OrderedDict[bytes, ExporterState] = OrderedDict()
        self._touched: dict[bytes, ExporterState] = {}

    def __len__(self) -> int:
        return len(self._states)

    def learn(self, seed: Seed) -> None:
        """Starts with what is known of before."""
        of: dict[bytes, tuple[list[Datagram], list[Datagram]]] = {}
        for place, datagrams in enumerate((seed.taught, seed.last)):
            for datagram in datagrams:
                of.setdefault(datagram.session.exporter, ([], []))[place].append(datagram)
        for exporter, (taught, last) in of.items():
            self._state(exporter).learn(taught, last)
        self._touched.clear()

    def take(self, datagrams: Iterable[Datagram], file: str) -> Iterator[ExporterState]:
        """Decodes messages; gives each state that has batches ready, now and then."""
        touched = self._touched
        for count, datagram in enumerate(datagrams, 1):
            exporter = datagram.session.exporter
            state = touched.get(exporter)
            if state is None:
                state = self._state(exporter)
            state.take(datagram, file)
            if not count % MESSAGES_BETWEEN_BATCHES:
                yield from touched.values()

    def touched(self) -> list[ExporterState]:
        """The states that messages came for since this was asked last, in order of their exporters."""
        states = [state for _, state in sorted(self._touched.items())]
        self._touched.clear()
        return states

    def states(self) -> list[ExporterState]:
        """All of them."""
        return list(self._states.values())

    def bound(self) -> int:
        """Forgets who is too many, and those who keep the most as long as all keep too much. Gives the number of these."""
        while len(self._states) > MAX_EXPORTERS:
            self._states.popitem(last=False)
        kept = {exporter: state.octets for exporter, state in self._states.items()}
        total = sum(kept.values())
        forgotten = 0
        for exporter in sorted(kept, key=lambda exporter: -kept[exporter]):
            if total <= MAX_ALL_OCTETS:
                break
            total -= kept[exporter]
            del self._states[exporter]
            forgotten += 1
        return forgotten

    def seed(self) -> Seed:
        """What is known of all exporters."""
        seeds = [state.knowledge.seed() for state in self._states.values()]
        return Seed(
            tuple(datagram for seed in seeds for datagram in seed.taught),
            tuple(datagram for seed in seeds for datagram in seed.last),
        )

    def _state(self, exporter: bytes) -> ExporterState:
        if len(self._touched) >= MAX_EXPORTERS and exporter not in self._states:
            exporter = _OTHERS
        state = self._states.get(exporter)
        if state is None:
            state = self._states[exporter] = ExporterState()
        self._states.move_to_end(exporter)
        self._touched[exporter] = state
        return state
