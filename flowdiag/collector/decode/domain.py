"""What the decoder keeps for each transport session and observation domain.

Facts the design follows:
- templates, sequence numbers and options belong to one domain of one session (RFC 7011 8); what one exporter
  sends in domain 0 of a session is about the whole exporter (RFC 7011 3.1, common practice);
- a v9 exporter that restarts may renumber its templates, but says so by sending them: a capture keeps what it
  has until it is replaced, since dropping sound templates would only lose data (deviates from RFC 3954 9);
- a template decodes the data sets that stand after it, so data sets keep the very template object that held
  when they came; a redefinition needs no flush.
"""

from __future__ import annotations

from array import array
from collections import deque
from statistics import median_low
from typing import Final, NamedTuple

from flowdiag.collector.clocks import TOLERATED_MS
from flowdiag.collector.datagram import Session
from flowdiag.collector.decode.layout import VARIABLE
from flowdiag.collector.decode.sampling import Sampling
from flowdiag.collector.decode.sequence import Sequences
from flowdiag.collector.decode.templates import Template
from flowdiag.collector.eviction import EvictionOrder
from flowdiag.collector.report import SessionReport

# More sets than a message of 65,535 octets can hold.
SETS: Final = 1 << 14
# Later than any network is: somebody on the way kept it.
HELD_UP_MS: Final = 60_000


class Group:
    """Data sets of one template that wait for the columnar step."""

    __slots__ = (
        "counts", "domain", "init_ms", "parts", "sampling", "set_numbers", "starts", "template", "values", "width",
    )  # fmt: skip

    def __init__(self, domain: Domain, template: Template) -> None:
        self.domain = domain
        self.template = template
        self.width = template.width
        self.values = sum(field.length == VARIABLE for field in template.fields)  # variable-length ones
        self.parts: list[bytes] = []  # octets of each set, without padding unless the template varies
        self.set_numbers = array("q")  # of each set in the stretch: message * SETS + number in the message
        self.counts = array("q")  # records in each set
        self.starts = array("q")  # octets from its set's start to each record, if the template varies
        # Of the domain and of the session's domain 0, as of the end of the stretch.
        self.sampling: tuple[Sampling, Sampling | None] = (domain.sampling, None)
        self.init_ms: int | None = None

    def seal(self) -> None:
        """Keeps the rates and the start that are known now: they count for the data sets here."""
        domain, whole = self.domain, self.domain.whole_session
        self.sampling = domain.sampling, None if whole is None else whole.sampling
        self.init_ms = whole.init_ms if domain.init_ms is None and whole is not None else domain.init_ms


class Stream:
    """One transport session. exporter: 16 octets, of the session or of its details options (RFC 5655 8.1.3).

    domains: by protocol version and domain number; sequences: by protocol version; taught: names of
    enterprise elements by enterprise and id (RFC 5610).
    """

    def __init__(self, session: Session) -> None:
        self.session = session
        self.exporter = session.exporter
        self.port = session.port
        self.domains: dict[int, dict[int, Domain]] = {10: {}, 9: {}, 5: {}}
        self.sequences: dict[int, Sequences] = {}
        self.taught: dict[tuple[int, int], str] = {}


class HeldSet(NamedTuple):
    """A data set whose template has not come. stretch, message: number of its stretch, index of its message there; header:
    octets of the message's header; time_ms: capture time, ms since 1970 UTC."""

    octets: bytes
    stretch: int
    message: int
    header: bytes
    offset: int
    time_ms: int | None


class Domain:
    """One observation domain (IPFIX), source id (v9) or engine (v5) of one session."""

    def __init__(self, stream: Stream, version: int, number: int, index: int, report: SessionReport) -> None:
        self.stream = stream
        self.session = stream.session
        self.version = version
        self.number = number
        self.index = index  # its number in the decoder
        self.report = report
        self.templates: dict[int, Template] = {}
        self.eviction: EvictionOrder[int] = EvictionOrder(self.sets_waiting)  # of its templates
        # What waits for the columnar step, by template id: flows of fixed length (the fast path), and the others.
        self.groups: dict[int, Group] = {}
        self.varying: dict[int, Group] = {}
        self.held: dict[int, deque[int]] = {}  # numbers of the data sets that wait for a template, by its id
        self.evicted: set[int] = set()  # template ids of those that had to go
        self.evicted_sets = 0
        self.header_sampling = 0  # the sampling word of the last v5 header
        self.expected: int | None = None  # the sequence number that cannot be a copy, if known
        self.sampling = Sampling()
        self.init_ms: int | None = None  # start of the metering process, ms since 1970, if announced
        self.announced_init_ms: int | None = None  # the same by the message that is being read
        self.own_losses: dict[int, int] = {}
        self.earlier_messages = 0  # of stretches whose report was taken
        self.earlier_records = 0  # in these, options included
        self.given_away = 0  # messages whose records are decoded elsewhere, when their template comes
        self.late_records = 0  # records of held sets that were decoded after their message was evaluated
        self.clock_offsets: list[int] = []
        self.clock_second: int | None = None
        self.earlier_clock_offset: int | None = None  # of the last stretch that had any

    @property
    def whole_session(self) -> Domain | None:
        """The session's domain 0, for another domain of an IPFIX session."""
        whole = self.stream.domains[10].get(0) if self.version == 10 else None
        return None if whole is self else whole

    def sets_waiting(self, number: int) -> int:
        """Data sets of a template that wait for the columnar step, those of runs as one."""
        group = self.groups.get(number) or self.varying.get(number)
        return 0 if group is None else len(group.parts)

    def drop_outdated_groups(self) -> None:
        """Keeps the short way from adding to groups of a template that has been replaced."""
        for groups in (self.groups, self.varying):
            outdated = [n for n, group in groups.items() if self.templates.get(n) is not group.template]
            for number in outdated:
                del groups[number]

    @property
    def clock_offset(self) -> int | None:
        """How far the exporter's clock seems to be behind the capture's; None where no message tells.

        Messages that were held up on the way, and come together or between others, are no other clock: where some agree with
        the clock of before, or those that do not do not agree with each other, it is the same as before.
        """
        offsets, before = self.clock_offsets, self.earlier_clock_offset
        if not offsets:
            return None
        usual = median_low(offsets)
        if before is None or abs(usual - before) <= TOLERATED_MS:
            return usual
        as_before = [offset for offset in offsets if abs(offset - before) <= TOLERATED_MS]
        if as_before:
            return median_low(as_before)
        agreeing = sum(abs(offset - usual) <= TOLERATED_MS for offset in offsets)
        return usual if 2 * agreeing >= len(offsets) else before

    @property
    def held_up(self) -> bool:
        """Whether messages came so late that they came out of order."""
        clock = self.clock_offset
        if clock is None or self.earlier_clock_offset is None:
            return False
        return max(self.clock_offsets) - clock > HELD_UP_MS

    def add_clock(self, time_ms: int, export_second: int, bound: int) -> None:
        """A difference of capture and export clock; evenly thinned beyond the bound.

        To be called for the first message of each second by the exporter's clock: that choice is the same however
        the stream is cut into batches.
        """
        self.clock_second = export_second
        self.clock_offsets.append(time_ms - export_second * 1000)
        if len(self.clock_offsets) > bound:
            del self.clock_offsets[::2]
