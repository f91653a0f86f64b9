"""The long way into the decoder: any message, checked as a whole before it acts.

Facts the design follows:
- sets act in the order they stand in, so a template or a withdrawal counts for the data sets behind it
  (RFC 7011 8.1, 8.2);
- withdrawals are ignored over UDP and obeyed over TCP, SCTP and in files (RFC 7011 8.1, 8.4);
- a new definition replaces the old one at once (RFC 3954 7, RFC 7011 8.4, RFC 5655 7.1), also over TCP, where
  it should not come (RFC 7011 8.1): that is noted;
- a data set may come before its template: it is held with its header, bounded (RFC 7011 9, RFC 3954 9);
- in v9 the port is no part of a template's key (RFC 3954 5.1), but two processes behind one address do use the
  same ids, so another port's template serves only where a set has found none by the end.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final, NamedTuple

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.decode.cursor import Cursor
from flowdiag.collector.decode.domain import SETS, Domain, HeldSet, Stream
from flowdiag.collector.decode.holding import Holding, Unread
from flowdiag.collector.decode.limits import DOMAIN_COST, MAX_IDS_NAMED, Limits
from flowdiag.collector.decode.malformed import Malformed
from flowdiag.collector.decode.messages import (
    HEADER_KEPT,
    IPFIX,
    NETFLOW5,
    NETFLOW5_HEADER,
    NETFLOW5_RECORD,
    NETFLOW9,
    Header,
    read_header,
)
from flowdiag.collector.decode.options import Options, OptionValues
from flowdiag.collector.decode.problems import Problems
from flowdiag.collector.decode.recent import Recent
from flowdiag.collector.decode.roster import FORGOTTEN, Roster
from flowdiag.collector.decode.sampling import Sampling
from flowdiag.collector.decode.stretch import Stretch
from flowdiag.collector.decode.structured import RecordReader, flattened
from flowdiag.collector.decode.template_store import TemplateStore, template_report
from flowdiag.collector.decode.templates import (
    FIRST_TEMPLATE_ID,
    Dropped,
    Template,
    Withdrawal,
    ipfix_definitions,
    layout_of,
    netflow9_definitions,
)
from flowdiag.collector.decode.templates import (
    NETFLOW5 as NETFLOW5_TEMPLATE,
)
from flowdiag.collector.decode.work import Work
from flowdiag.collector.report import ExportReport, Protocol, SessionReport

_PROTOCOLS: Final[dict[int, Protocol]] = {IPFIX: "ipfix", NETFLOW9: "netflow9", NETFLOW5: "netflow5"}
# The ids of template sets and options template sets.
_DEFINITIONS: Final = {IPFIX: (2, 3), NETFLOW9: (0, 1)}

SEQUENCE_MODULUS: Final = 1 << 32
# The low bits of the sampling word in a v5 header; the others are its mode (common practice).
SAMPLING_INTERVAL: Final = 0x3FFF

MALFORMED: Final = "malformed messages were left out"
OTHER_PORT: Final = "NetFlow v9 data sets were read with the template of another source port of the exporter"
NEVER_TAUGHT: Final = "data sets without a template were left out"


class DataSet(NamedTuple):
    """A data set whose template is known: part without padding, starts of its records if the template varies."""

    template: Template
    part: bytes
    starts: list[int] | None
    records: int


class Unknown(NamedTuple):
    """A data set without template."""

    id: int
    octets: bytes


class Odd(NamedTuple):
    """Something to note that changes nothing."""

    what: str


Step = DataSet | Unknown | Odd | Template | Withdrawal


class MessageDecoder:
    """Takes messages apart and lets them act on domains, stretch and report.

    roster: the decoder's sessions and domains; seal: ends the current stretch and gives the next one; unread: see Holding.
    """

    def __init__(
        self,
        report: ExportReport,
        limits: Limits,
        options: Options,
        problems: Problems,
        roster: Roster,
        seal: Callable[[], Stretch],
        unread: Unread | None,
    ) -> None:
        self._report = report
        self._limits = limits
        self._problems = problems
        self._roster = roster
        self._seal = seal
        self._options = options
        self._holding = Holding(limits, unread)
        self._store = TemplateStore(limits, problems)
        self._messages = self._unknown_sets = 0

    def take(self, stream: Stream, datagram: Datagram, file: str, stretch: Stretch, recent: Recent) -> None:
        payload = datagram.payload
        self._messages += 1
        try:
            header = read_header(payload)
            domain = self._domain(stream, header, stretch)
            if header.sequence != domain.expected and recent.holds(datagram.session, payload):
                domain.report.duplicates += 1
                return
            steps = self._checked(domain, header, payload)
        except Malformed as error:
            offset = datagram.offset + error.at
            self._problems.add(file, offset, f"{MALFORMED}: {error}")
            return
        recent.add(datagram.session, payload)
        seconds = header.export_ms // 1000
        if seconds != domain.clock_second and datagram.time_ms is not None:
            domain.add_clock(datagram.time_ms, seconds, self._limits.clock_samples)
        self._apply(domain, header, datagram, file, steps, stretch)

    def teach(
        self, stream: Stream, datagram: Datagram, file: str, stretch: Stretch, *, options: bool
    ) -> None:
        """Takes templates and options from a message, if it is sound, and nothing else of it."""
        try:
            header = read_header(datagram.payload)
            domain = self._domain(stream, header, stretch)
            steps = self._checked(domain, header, datagram.payload)
        except Malformed:
            return
        table, counted = domain.sampling, domain.report.option_records
        for step in steps:
            if isinstance(step, Template):
                self._store.define(domain, step, file, datagram.offset)
                self._read_held(domain, step.id, step, stretch, file)
            elif options and isinstance(step, DataSet) and step.template.options:
                table = self._read_options(domain, step, table, file, datagram.offset)
        domain.report.option_records = counted
        if domain.sampling.changes(table) or domain.init_ms != domain.announced_init_ms:
            self._seal()
        domain.sampling, domain.init_ms = table, domain.announced_init_ms
        domain.drop_outdated_groups()

    def make_room(self, stretch: Stretch) -> None:
        """Forgets the domain that goes next, its templates and what is held of it."""
        domain = self._roster.forget_one(stretch.number)
        self._store.forget_domain(domain)
        self._holding.forget_domain(domain)
        self._problems.add("", None, FORGOTTEN)

    def _domain(self, stream: Stream, header: Header, stretch: Stretch) -> Domain:
        domain = stream.domains[header.version].get(header.domain)
        if domain is None:
            if self._roster.domains_full():
                self.make_room(stretch)
            report = SessionReport(stream.exporter, stream.port, header.domain, _PROTOCOLS[header.version])
            domain = self._roster.add_domain(stream, header.version, header.domain, report)
            stretch.octets += DOMAIN_COST
            if header.version == NETFLOW5:
                self._store.define(domain, NETFLOW5_TEMPLATE)
        return domain

    def work(self, steps: int) -> Work:
        """What was done so far; steps: of the columns."""
        return Work(self._roster.met, self._store.defined, steps, self._messages, self._unknown_sets)

    # Checking: nothing changes here.

    def _checked(self, domain: Domain, header: Header, payload: bytes) -> list[Step]:
        """What the sets of a message ask for, in order. Raises Malformed."""
        if header.version == NETFLOW5:
            end = NETFLOW5_HEADER + NETFLOW5_RECORD * header.promised
            return [DataSet(NETFLOW5_TEMPLATE, payload[NETFLOW5_HEADER:end], None, header.promised)]
        steps: list[Step] = []
        fresh: dict[int, Template | None] = {}
        template_set, options_set = _DEFINITIONS[header.version]
        for bounds in header.sets:
            if bounds.id >= FIRST_TEMPLATE_ID:
                known = domain.templates.get(bounds.id)
                template = fresh.get(bounds.id, known)
                octets = payload[bounds.start : bounds.end]
                self._unknown_sets += template is None
                steps.append(Unknown(bounds.id, octets) if template is None else data_set(template, octets))
            elif bounds.id in (template_set, options_set):
                cursor = Cursor(payload, bounds.start, bounds.end)
                steps += self._definitions(domain, header.version, cursor, bounds.id == options_set, fresh)
            else:
                steps.append(Odd("sets of a reserved id were passed over"))
        return steps

    def _definitions(
        self, domain: Domain, version: int, cursor: Cursor, options: bool, fresh: dict[int, Template | None]
    ) -> list[Step]:
        read = ipfix_definitions if version == IPFIX else netflow9_definitions
        steps: list[Step] = []
        for definition in read(cursor, options=options):
            if isinstance(definition, Dropped):
                steps.append(Odd(f"templates with {definition.why} were left out"))
            elif isinstance(definition, Withdrawal):
                if domain.session.transport != "udp":
                    steps.append(definition)
                    for number in withdrawn(definition, {**domain.templates, **fresh}):
                        fresh[number] = None
            elif not definition.same_as(fresh.get(definition.id, domain.templates.get(definition.id))):
                steps.append(definition)
                fresh[definition.id] = definition
        return steps

    # Acting.

    def _apply(
        self,
        domain: Domain,
        header: Header,
        datagram: Datagram,
        file: str,
        steps: list[Step],
        stretch: Stretch,
    ) -> None:
        """Definitions and options first: a rate or a start that changes counts from its message on, as a whole."""
        table = domain.sampling
        if header.version == NETFLOW5:
            domain.header_sampling = header.sampling
            table = table.with_domain(float(max(header.sampling & SAMPLING_INTERVAL, 1)))
        defined: list[int] = []
        options = 0
        for step in steps:
            if isinstance(step, Template):
                self._store.define(domain, step, file, datagram.offset)
                defined.append(step.id)
            elif isinstance(step, Withdrawal):
                for number in withdrawn(step, domain.templates):
                    self._store.forget(domain, number)
            elif isinstance(step, Odd):
                self._problems.add(file, datagram.offset, step.what)
            elif isinstance(step, DataSet) and step.template.options:
                options += step.records
                table = self._read_options(domain, step, table, file, datagram.offset)
        restarted = domain.init_ms is not None and domain.init_ms != domain.announced_init_ms
        if restarted or domain.sampling.changes(table):
            stretch = self._seal()
        domain.sampling, domain.init_ms = table, domain.announced_init_ms
        message = stretch.add_message(domain, datagram.payload, datagram.offset)
        records = self._add_data(domain, datagram, steps, stretch, message)
        stretch.records[message] = records + options
        if options:
            stretch.options[message] = options
        for number in defined:
            self._read_held(domain, number, domain.templates.get(number), stretch, file)
        domain.drop_outdated_groups()
        counted = message not in stretch.unknown
        step_by = 1 if header.version == NETFLOW9 else records + options
        domain.expected = (header.sequence + step_by) % SEQUENCE_MODULUS if counted else None

    def _add_data(
        self, domain: Domain, datagram: Datagram, steps: list[Step], stretch: Stretch, message: int
    ) -> int:
        """Puts the data sets of a message where they wait. Gives the number of flow records."""
        records = 0
        for number, step in enumerate(steps):
            if isinstance(step, DataSet) and not step.template.options:
                if not step.records:
                    continue
                records += step.records
                self._use(domain, step.template)
                stretch.add_data(
                    domain, step.template, step.part, step.starts, step.records, message * SETS + number
                )
            elif isinstance(step, Unknown):
                stretch.unknown[message] = stretch.unknown.get(message, 0) + len(step.octets)
                front = datagram.payload[:HEADER_KEPT].ljust(HEADER_KEPT, b"\0")
                held = HeldSet(step.octets, stretch.number, message, front, datagram.offset, datagram.time_ms)
                self._holding.add(domain, step.id, held)
        return records

    def _use(self, domain: Domain, template: Template) -> None:
        """Notes that a template of a domain has flow records."""
        self._store.use(domain, template)
        self._roster.prove(domain)

    def _read_options(
        self, domain: Domain, step: DataSet, table: Sampling, file: str, offset: int
    ) -> Sampling:
        """Takes in the records of an options data set. Gives the domain's sampling table after it."""
        domain.report.option_records += step.records
        self._store.count(domain, step.template, step.records)
        if step.records:
            self._roster.prove(domain)
        reader = RecordReader(domain.templates.get, self._limits)
        records = reader.records(Cursor(step.part), step.template)
        try:
            for _, record in zip(range(self._limits.options_records), records, strict=False):
                table = self._options.learn(domain, OptionValues(flattened(record)), table)
        except Malformed as error:
            self._problems.add(file, offset, f"options records were left out: {error}")
        if step.records > self._limits.options_records:
            what = "options records beyond the number that is read in one data set were left out"
            self._problems.add(file, offset, what, step.records - self._limits.options_records)
        return table

    # Data sets before their template.

    def _read_held(
        self, domain: Domain, number: int, template: Template | None, stretch: Stretch, file: str
    ) -> int:
        """Reads the data sets of an id that came before the template. Gives how many could be read."""
        sets = self._holding.release(domain, number) if template is not None else []
        read = 0
        for held in sets:
            assert template is not None
            try:
                step = data_set(template, held.octets)
            except Malformed as error:
                domain.report.undecoded_sets += 1
                self._problems.add(file, held.offset, f"data sets were left out: {error}")
                continue
            message = stretch.bring_back(domain, held, step.records)
            if template.options:
                stretch.options[message] = stretch.options.get(message, 0) + step.records
                domain.sampling = self._read_options(domain, step, domain.sampling, file, held.offset)
                domain.init_ms = domain.announced_init_ms
            else:
                self._use(domain, template)
                set_number = message * SETS + SETS - 1
                stretch.add_data(domain, template, step.part, step.starts, step.records, set_number)
            read += 1
        return read

    def read_held_elsewhere(self, stretch: Stretch, file: str) -> None:
        """At the end: v9 data sets still held are read with another port's template of the same exporter."""
        domains = list(self._roster.domains.values())
        for domain in domains:
            if domain.version != NETFLOW9 or not domain.held:
                continue
            others = [
                other
                for other in domains
                if other is not domain
                and (other.version, other.number) == (domain.version, domain.number)
                and other.stream.exporter == domain.stream.exporter
            ]
            for number in sorted(domain.held):
                found = [other.templates[number] for other in others if number in other.templates]
                if found:
                    domain.report.templates[number] = template_report(found[0])
                    read = self._read_held(domain, number, found[0], stretch, file)
                    self._problems.add(file, None, OTHER_PORT, read)

    def hand_over(self) -> None:
        """See Holding.hand_over()."""
        self._holding.hand_over()

    @property
    def kept_octets(self) -> int:
        """See Decoder.kept_octets."""
        return self._holding.octets + self._store.memory

    def count_undecoded(self) -> None:
        """At the end: what is held now was never taught."""
        for domain in self._roster.domains.values():
            sets = self._holding.sets_of(domain)
            domain.report.undecoded_sets += sets
            left = sorted({*domain.held, *domain.evicted})
            if left:
                ids = ", ".join(str(number) for number in left[:MAX_IDS_NAMED])
                more = " and more" if len(left) > MAX_IDS_NAMED else ""
                what = f"{NEVER_TAUGHT} (template ids {ids}{more} of domain {domain.number})"
                self._problems.add("", None, what, sets + domain.evicted_sets)


def data_set(template: Template, octets: bytes) -> DataSet:
    """The records in the octets of a data set. Raises Malformed if a variable-length value runs past it."""
    if template.varying:
        starts = layout_of(template).record_starts(octets)
        return DataSet(template, octets, starts, len(starts))
    count = len(octets) // template.width
    return DataSet(template, octets[: count * template.width], None, count)


def withdrawn(withdrawal: Withdrawal, known: Mapping[int, Template | None]) -> list[int]:
    """The template ids that a withdrawal takes away (RFC 7011 8.1)."""
    if withdrawal.id >= FIRST_TEMPLATE_ID:
        return [withdrawal.id] if known.get(withdrawal.id) else []
    if withdrawal.id != (_DEFINITIONS[IPFIX][withdrawal.options]):
        return []
    return [
        number for number, template in known.items() if template and template.options == withdrawal.options
    ]
