"""What is kept of one exporter: its decoder, what a new one would have to know, and what it has been worth so far.

Facts the design follows:
- all that a decoder keeps is bounded (decode/limits.py); shared, the bounds would be for whoever fills them first;
- an exporter that comes from a new port each time fills its table of sessions. Then it gets a new decoder, which is
  taught by the sessions that data came for, or that were heard lately;
- an address is forged as easily from any port, but not easily from the one that the exporter happens to have. So, where
  the time gets short, sessions that were worth something for longer come first;
- whose messages are put off and come later is not taken to have lost them: its sequence numbers do not count meanwhile;
- an exporter is worth as much as it is long that its data are decoded, in segments. Nobody can make up that in a moment.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Final

import pyarrow as pa

from flowdiag.collector.datagram import Datagram, Session
from flowdiag.collector.decode.decoder import Decoder
from flowdiag.collector.decode.holding import Unread
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.messages import read_header
from flowdiag.collector.knowledge import Knowledge
from flowdiag.collector.report import ExportReport

# Sessions of one exporter: its ports, line cards and restarts.
MAX_SESSIONS: Final = 128
MAX_DOMAINS: Final = 256
# Messages with templates, names and rates kept of one exporter.
MAX_KNOWN_OCTETS: Final = 2 << 20
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


class ExporterState:
    """unread: is given data sets that are without template at the end of a segment; segments: in which its flow records
    were decoded; spent: seconds that its messages took in this one.
    """

    def __init__(self, unread: Unread, limits: Limits = LIMITS) -> None:
        self._unread = unread
        self._limits = limits
        self.decoder = self._new_decoder()
        self.knowledge = Knowledge(domains=MAX_DOMAINS, octets=MAX_KNOWN_OCTETS)
        self.sessions: set[Session] = set()
        self.segments = 0
        self.spent = 0.0
        self.session: Session | None = None
        self._rows_before = 0
        self._groups_before = 0
        self._disordered = False
        self._segments_of: dict[int, int] = {}  # by port, the ones with records last at the end
        self._copies: Counter[tuple[int, int]] = Counter()  # by port and domain, of this segment

    @property
    def octets(self) -> int:
        """What is kept of this exporter."""
        return self.decoder.kept_octets + self.knowledge.octets

    @property
    def rows(self) -> int:
        """Flow records of this segment."""
        return self.decoder.rows - self._rows_before

    @property
    def groups(self) -> int:
        """Columnar steps that the flow records of this segment need, at least."""
        return self.decoder.groups - self._groups_before

    @property
    def proven(self) -> bool:
        """Whether any flow record of it was decoded."""
        return self.segments > 0 or self.rows > 0

    @property
    def rank(self) -> int:
        """What it is worth: the magnitude of its segments, so that a few more make no difference."""
        return (self.segments + (self.rows > 0)).bit_length()

    def in_turn(self, messages: list[Datagram]) -> list[Datagram]:
        """Messages of the sessions that are worth most first; those of one session stay in order."""
        first = messages[0].session
        if all(datagram.session is first for datagram in messages):
            return messages
        worth = {port: segments.bit_length() for port, segments in self._segments_of.items()}
        return sorted(messages, key=lambda datagram: -worth.get(datagram.session.port, 0))

    def take(self, datagrams: Iterable[Datagram], file: str) -> None:
        feed, see = self.decoder.feed, self.knowledge.see
        for datagram in datagrams:
            feed(datagram, file)
            see(datagram)
            if datagram.session is not self.session:
                self.session = datagram.session
                self.sessions.add(datagram.session)

    def pass_over(self, copy: Datagram) -> None:
        """Counts a sound message that came before, and was not taken."""
        domain = copy.session.port, read_header(copy.payload).domain
        if domain in self._copies or len(self._copies) < MAX_DOMAINS:
            self._copies[domain] += 1

    def disorder(self) -> None:
        """Messages of it are put off, or come later than others: this segment's sequence numbers do not count."""
        self._disordered = True

    def learn(self, taught: Iterable[Datagram], last: Iterable[Datagram]) -> None:
        """Learns from earlier messages: definitions and options, and where the sequence numbers stood; the newest counts."""
        taught = sorted(taught, key=_came)
        for datagram in taught:
            self.decoder.teach(datagram)
            self.knowledge.see(datagram)
        for datagram in sorted(last, key=_came):
            self.knowledge.see(datagram)
        for datagram in sorted(self.knowledge.seed().last, key=_came):  # it knows the latest ones again
            self.decoder.feed(datagram)
        self.decoder.cut(last=True)  # it was counted when it came
        self._begin()
        if self.knowledge.proven:
            self.segments = max(self.segments, 1)

    def cut(self, *, last: bool = False) -> tuple[list[pa.RecordBatch], ExportReport]:
        """The rest of a segment: its flow records and report. last: see Decoder.cut()."""
        self.segments += self.rows > 0
        full = len(self.sessions) > MAX_SESSIONS
        taken = self.decoder.cut(last=last or full, in_order=not self._disordered)
        self._disordered = False
        for session in taken[1].sessions:
            session.duplicates += self._copies.pop((session.port, session.domain), 0)
        self._copies.clear()
        self._note_sessions(taken[1])
        self._begin()
        self.spent = 0.0
        if full:
            seed = self.knowledge.seed()
            self.sessions.clear()
            self.decoder = self._new_decoder()
            self.learn(seed.taught, seed.last)
        return taken

    def _note_sessions(self, report: ExportReport) -> None:
        """Counts a segment for those that had records in it; of too many those stay that are worth most."""
        counts = self._segments_of
        for port in sorted({session.port for session in report.sessions if session.records}):
            counts[port] = counts.pop(port, 0) + 1
        if len(counts) > MAX_SESSIONS:
            ranked = sorted(counts, key=lambda port: counts[port].bit_length())  # stable: the oldest first
            for port in ranked[:-MAX_SESSIONS]:
                del counts[port]

    def _begin(self) -> None:
        """What is counted from here on is the segment's."""
        self._rows_before, self._groups_before = self.decoder.rows, self.decoder.groups

    def _new_decoder(self) -> Decoder:
        return Decoder(ExportReport(), limits=self._limits, unread=self._unread)


def _came(datagram: Datagram) -> int:
    return datagram.time_ms or 0
