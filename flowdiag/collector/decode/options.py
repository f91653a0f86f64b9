"""Options records: sampling, names, timeouts, times, the exporter's own losses.

Facts the design follows:
- what a record is about is known by its elements, never by its template's id; the same element may stand as a
  scope or not, and others may stand beside it (RFC 7011 4);
- v9 names what it is about by scope types; an interface scope is an interface's index (RFC 3954 6.1);
- names are hostile: cut to a bound, without padding zeros, ill-formed UTF-8 replaced (RFC 7011 6.1.6, 11.7);
  making them fit to print is the writer's task;
- an application is its engine, an enterprise number for engine 20, and a selector whose leading zeros do not
  count (RFC 6759 4.1);
- elements that anonymisation, flow keys or common properties are about do not change how flows are read.
"""

from __future__ import annotations

import codecs
import struct
from collections.abc import Iterable
from typing import Final

from flowdiag.addresses import V4_PREFIX
from flowdiag.collector.decode import ie
from flowdiag.collector.decode.allowance import Allowance
from flowdiag.collector.decode.domain import Domain
from flowdiag.collector.decode.elements import IANA, element
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.sampling import Sampling, plausible
from flowdiag.collector.decode.templates import V9_INTERFACE_SCOPE, V9_SCOPE, Field
from flowdiag.collector.report import ExportReport, InterfaceReport

Application = tuple[int, int, int]

_utf8 = codecs.getincrementaldecoder("utf-8")

_PANA_L7_PEN: Final = 20
_INTERFACES: Final = (
    ie.INGRESS_INTERFACE,
    ie.EGRESS_INTERFACE,
    ie.INGRESS_PHYSICAL_INTERFACE,
    ie.EGRESS_PHYSICAL_INTERFACE,
)
# Selector algorithms that choose by content, so that what they left out cannot be scaled up (RFC 5477 8.2.1).
_FILTERS: Final = range(5, 9)
_MAX_TIME_MS: Final = 1 << 61
_OWN_LOSSES: Final = {
    ie.IGNORED_PACKETS: "packets were not metered",
    ie.IGNORED_OCTETS: "octets were not metered",
    ie.NOT_SENT_FLOWS: "flow records were not sent",
    ie.NOT_SENT_PACKETS: "packets in flow records were not sent",
    ie.NOT_SENT_OCTETS: "octets in flow records were not sent",
}

AMBIGUOUS_SAMPLING: Final = (
    "samplingPacketInterval is sent without samplingPacketSpace, which tells no rate; nothing was scaled"
)


class OptionValues:
    """The plain values of one options record by element; the first of several counts unless all are asked."""

    def __init__(self, values: Iterable[tuple[Field, bytes]]) -> None:
        self._values: dict[int, list[bytes]] = {}
        for field, value in values:
            if field.enterprise == IANA:
                self._values.setdefault(field.id, []).append(value)
            elif field.enterprise == V9_SCOPE and field.id == V9_INTERFACE_SCOPE:
                self._values.setdefault(ie.INGRESS_INTERFACE, []).append(value)

    def __contains__(self, number: int) -> bool:
        return number in self._values

    def octets(self, number: int) -> bytes:
        values = self._values.get(number)
        return values[0] if values else b""

    def integer(self, number: int) -> int:
        """0 if the element is not there."""
        values = self._values.get(number)
        return _integer(values[0]) if values else 0

    def integers(self, number: int) -> tuple[int, ...]:
        return tuple(_integer(value) for value in self._values.get(number, ()))

    def real(self, number: int) -> float:
        octets = self.octets(number)
        if len(octets) not in (4, 8):
            return 0.0
        value: float = struct.unpack("!f" if len(octets) == 4 else "!d", octets)[0]
        return value


def _integer(octets: bytes) -> int:
    return int.from_bytes(octets, "big") if len(octets) <= 8 else 0


def text(octets: bytes, length: int) -> str:
    """A string from the network, cut to a number of octets; of a character that the cut goes through nothing is left."""
    return _utf8("replace").decode(octets[:length].rstrip(b"\0"), final=len(octets) <= length).strip()


def application_of(octets: bytes) -> Application | None:
    """(engine, enterprise, selector) of an applicationId; None if it classifies nothing."""
    if len(octets) < 2 or not octets[0]:
        return None
    engine, rest = octets[0], octets[1:]
    enterprise = 0
    if engine == _PANA_L7_PEN and len(rest) > 4:
        enterprise, rest = int.from_bytes(rest[:4], "big"), rest[4:]
    return engine, enterprise, int.from_bytes(rest, "big")


class Names:
    """Interface and application names of all exporters, bounded."""

    def __init__(self, report: ExportReport, limits: Limits) -> None:
        self._report = report
        self._limits = limits
        self._applications: dict[tuple[bytes, Application], str] = {}
        self._of_options: set[tuple[bytes, int, str]] = set()

    def interface(
        self, exporter: bytes, index: int, name: bytes, description: bytes, *, by_options: bool
    ) -> None:
        """Names an interface. The last name counts, but one from options before one from flow records."""
        known = self._report.interfaces.get((exporter, index))
        if known is None:
            if not index or len(self._report.interfaces) >= self._limits.names:
                return
            known = self._report.interfaces[exporter, index] = InterfaceReport(exporter, index)
        for field, octets in (("name", name), ("description", description)):
            value, key = self.cleaned(octets), (exporter, index, field)
            if value and (by_options or key not in self._of_options):
                setattr(known, field, value)
                if by_options:
                    self._of_options.add(key)

    def application(self, exporter: bytes, octets: bytes, name: bytes) -> None:
        key, title = application_of(octets), self.cleaned(name)
        if key is None or not title:
            return
        if (exporter, key) not in self._applications and len(self._applications) >= self._limits.names:
            return
        self._applications[exporter, key] = title
        engine, enterprise, selector = key
        application_id = f"{engine}:{enterprise}:{selector}" if enterprise else f"{engine}:{selector}"
        self._report.applications[application_id] = title

    @property
    def has_applications(self) -> bool:
        return bool(self._applications)

    def application_name(self, exporter: bytes, octets: bytes) -> str | None:
        key = application_of(octets)
        return None if key is None else self._applications.get((exporter, key))

    def cleaned(self, octets: bytes) -> str:
        return text(octets, self._limits.name_length)


class Options:
    """Takes in options records for a domain."""

    def __init__(self, report: ExportReport, limits: Limits, names: Names) -> None:
        self._report = report
        self._limits = limits
        self._names = names
        self._taught = Allowance(limits.taught_elements)
        self._samplers = Allowance(limits.all_samplers)

    def learn(self, domain: Domain, values: OptionValues, table: Sampling) -> Sampling:
        """Takes one record in. Gives the domain's sampling table after it."""
        exporter = domain.stream.exporter
        if ie.INTERFACE_NAME in values or ie.INTERFACE_DESCRIPTION in values:
            for number in _INTERFACES:
                for index in values.integers(number):
                    name, title = values.octets(ie.INTERFACE_NAME), values.octets(ie.INTERFACE_DESCRIPTION)
                    self._names.interface(exporter, index, name, title, by_options=True)
        if ie.APPLICATION_ID in values and ie.APPLICATION_NAME in values:
            self._names.application(
                exporter, values.octets(ie.APPLICATION_ID), values.octets(ie.APPLICATION_NAME)
            )
        if ie.ELEMENT_ID in values and ie.ELEMENT_NAME in values:
            self._teach(domain, values)
        if ie.SESSION_SCOPE in values:
            self._session_details(domain, values)
        if seconds := values.integer(ie.ACTIVE_TIMEOUT):
            domain.report.active_timeout_s = seconds
        if seconds := values.integer(ie.IDLE_TIMEOUT):
            domain.report.idle_timeout_s = seconds
        if init_ms := values.integer(ie.SYSTEM_INIT_MILLISECONDS):
            domain.announced_init_ms = min(init_ms, _MAX_TIME_MS)
        for number in _OWN_LOSSES:
            if lost := values.integer(number):
                domain.own_losses[number] = lost
        return self._sampling(domain, values, table)

    def _teach(self, domain: Domain, values: OptionValues) -> None:
        """Type information: names of enterprise elements; known elements keep theirs (RFC 5610 3.10)."""
        key = values.integer(ie.ENTERPRISE_NUMBER), values.integer(ie.ELEMENT_ID) & 0x7FFF
        taught = domain.stream.taught
        if element(key[1], key[0]) is None and key not in taught and self._taught.take():
            taught[key] = self._names.cleaned(values.octets(ie.ELEMENT_NAME))

    def _session_details(self, domain: Domain, values: OptionValues) -> None:
        """Who exported the messages of a file (RFC 5655 8.1.3)."""
        address = exporter_address(values)
        if address is not None and domain.session.transport == "file":
            domain.stream.exporter = address
            domain.stream.port = values.integer(ie.EXPORTER_PORT) or domain.stream.port

    def _sampling(self, domain: Domain, values: OptionValues, table: Sampling) -> Sampling:
        """The domain's table after a record; entries beyond the bounds are left out, known ones may change."""
        later = self._rates(domain, values, table)
        if later.size > table.size and (table.size >= self._limits.samplers or not self._samplers.take()):
            return table
        return later

    def _rates(self, domain: Domain, values: OptionValues, table: Sampling) -> Sampling:
        sequence, selectors = values.integer(ie.SELECTION_SEQUENCE_ID), values.integers(ie.SELECTOR_ID)
        observed, selected = values.integer(ie.PACKETS_OBSERVED), values.integers(ie.PACKETS_SELECTED)
        if ie.SELECTION_SEQUENCE_ID in values:
            if selectors and len(selectors) <= self._limits.list_depth:
                return table.with_sequence(sequence, selectors)
            if observed and selected and selected[-1]:
                attained = plausible(observed / selected[-1])
                return table if attained is None else table.with_attained(sequence, attained)
        factor = self._factor(domain, values)
        if factor is None:
            return table
        for number in (ie.SELECTOR_ID, ie.SAMPLER_ID):
            if number in values:
                return table.with_selector(values.integer(number), factor)
        for number in _INTERFACES:
            if values.integer(number):
                return table.with_interface(values.integer(number), factor)
        return table.with_domain(factor)

    def _factor(self, domain: Domain, values: OptionValues) -> float | None:
        """The factor to scale by that a record gives, None if it gives none."""
        if values.integer(ie.SELECTOR_ALGORITHM) in _FILTERS:
            return 1.0
        for number in (ie.SAMPLER_RANDOM_INTERVAL, ie.SAMPLING_INTERVAL):
            if values.integer(number):
                return plausible(float(values.integer(number)))
        for part, rest in (
            (ie.SAMPLING_PACKET_INTERVAL, ie.SAMPLING_PACKET_SPACE),
            (ie.SAMPLING_TIME_INTERVAL, ie.SAMPLING_TIME_SPACE),
        ):
            taken = values.integer(part)
            if taken and rest in values:
                return plausible((taken + values.integer(rest)) / taken)
        if values.integer(ie.SAMPLING_SIZE) and ie.SAMPLING_POPULATION in values:
            return plausible(values.integer(ie.SAMPLING_POPULATION) / values.integer(ie.SAMPLING_SIZE))
        if probability := values.real(ie.SAMPLING_PROBABILITY):
            return plausible(1 / probability)
        if values.integer(ie.SAMPLING_PACKET_INTERVAL) > 1:
            domain.report.sampling_note = AMBIGUOUS_SAMPLING
        return None

    def finish(self, domain: Domain) -> None:
        """Notes what the exporter says it lost itself (RFC 7011 4.2, 4.3)."""
        for number, what in _OWN_LOSSES.items():
            if lost := domain.own_losses.get(number):
                note = f"the exporter reports that {lost} {what} (domain {domain.number})"
                if note not in self._report.notes and len(self._report.notes) < self._limits.problems:
                    self._report.notes.append(note)


def exporter_address(values: OptionValues) -> bytes | None:
    """16 octets of the exporter named in a record, None if there is none."""
    v4, v6 = values.octets(ie.EXPORTER_IPV4), values.octets(ie.EXPORTER_IPV6)
    if len(v4) == 4 and any(v4):
        return V4_PREFIX + v4
    return v6 if len(v6) == 16 and any(v6) else None
