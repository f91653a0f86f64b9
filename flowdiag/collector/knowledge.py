"""What has to be known of the messages before, to decode those that follow: kept as the messages themselves.

Facts the design follows:
- over UDP templates come again only every few minutes, names and rates too (RFC 7011 8.4); whoever starts in the
  middle, after a restart or with the second file of a capture, has to remember them;
- a message says what it says by the standard; any form of our own would have to be kept readable for ever;
- the same definitions come again and again: one message of each content is kept. Options come with changing
  content (counters): some of each template are kept, so that none of them pushes out the others;
- the last message of each domain says where its sequence numbers stand;
- what cannot all be kept goes by what it was good for: definitions without data first, domains without data first.
"""

from __future__ import annotations

import struct
from collections import OrderedDict
from collections.abc import Iterable, Iterator
from hashlib import blake2b
from typing import Final, NamedTuple

from msgspec import Struct, field

from flowdiag.collector.datagram import Datagram, Session
from flowdiag.collector.decode import ie
from flowdiag.collector.decode.cursor import Cursor
from flowdiag.collector.decode.limits import MAX_DOMAINS, MAX_TEMPLATES
from flowdiag.collector.decode.malformed import Malformed
from flowdiag.collector.decode.messages import (
    IPFIX,
    IPFIX_HEADER,
    NETFLOW5,
    NETFLOW9,
    NETFLOW9_HEADER,
    SetBounds,
    read_header,
)
from flowdiag.collector.decode.templates import (
    FIRST_TEMPLATE_ID,
    Template,
    ipfix_definitions,
    netflow9_definitions,
)
from flowdiag.collector.eviction import EvictionOrder

# Messages with definitions kept of one domain: its templates come in a few messages, again and again the same.
MAX_DEFINITIONS: Final = 256
# Messages with options kept of one options template: some dozen names each.
MAX_OPTIONS: Final = 64
MAX_OPTIONS_TEMPLATES: Final = 64
# Octets of all messages kept: the definitions and names of a thousand exporters.
MAX_OCTETS: Final = 256 << 20

_SET: Final = struct.Struct(">HH").unpack_from
_TOTALS: Final = (ie.OCTET_TOTAL, ie.PACKET_TOTAL)
_DELTAS: Final = (ie.OCTET_DELTA, ie.PACKET_DELTA)


class Seed(NamedTuple):
    """Messages for a decoder that starts in the middle: to be taught by, in order; to be fed, so that it knows the
    sequence numbers; and with the templates of what follows, for data sets that came too early."""

    taught: tuple[Datagram, ...] = ()
    last: tuple[Datagram, ...] = ()
    later: tuple[Datagram, ...] = ()


class _Domain(Struct):
    """The messages kept of one observation domain of one session."""

    definitions: OrderedDict[bytes, Datagram] = field(default_factory=OrderedDict)  # by digest
    defines: dict[bytes, frozenset[int]] = field(
        default_factory=dict
    )  # ids of the templates in each of these
    used: set[int] = field(default_factory=set)  # ids of the templates that data sets came for
    first: list[Datagram] = field(default_factory=list)  # the message in which each definition came first
    options: dict[int, OrderedDict[bytes, Datagram]] = field(default_factory=dict)  # by template and digest
    templates: OrderedDict[int, Template] = field(default_factory=OrderedDict)
    last: Datagram | None = None

    octets: int = 0  # of the messages kept; of those that came first, most are kept anyway

    def keep_options(self, kept: OrderedDict[bytes, Datagram], datagram: Datagram, content: bytes) -> None:
        """Keeps a message as the newest of its content."""
        self._keep(kept, _digest(content), datagram)
        if len(kept) > MAX_OPTIONS:
            self.octets -= len(kept.popitem(last=False)[1].payload)

    def keep_definitions(self, datagram: Datagram, content: bytes, numbers: frozenset[int]) -> bool:
        """Keeps a message as the newest of its content; True if that was not known."""
        kept, digest = self.definitions, _digest(content)
        is_new = self._keep(kept, digest, datagram)
        self.defines[digest] = numbers
        if len(kept) > MAX_DEFINITIONS:
            gone = next((one for one in kept if self.used.isdisjoint(self.defines[one])), next(iter(kept)))
            del self.defines[gone]
            self.octets -= len(kept.pop(gone).payload)
        return is_new

    def _keep(self, kept: OrderedDict[bytes, Datagram], digest: bytes, datagram: Datagram) -> bool:
        known = kept.pop(digest, None)
        kept[digest] = datagram
        self.octets += len(datagram.payload) - (0 if known is None else len(known.payload))
        return known is None

    def define(self, template: Template) -> None:
        """A template that has not decoded anything yet; of too many, another one of this kind goes."""
        self.templates[template.id] = template
        self.used.discard(template.id)
        if len(self.templates) > MAX_TEMPLATES:
            gone = next((one for one in self.templates if one not in self.used), next(iter(self.templates)))
            del self.templates[gone]
            self.used.discard(gone)

    def is_used(self, number: int, octets: int) -> bool:
        """Whether a data set of so many octets is the first one that holds a record of a template."""
        template = self.templates.get(number)
        if template is None or octets < template.width:
            return False
        self.used.add(number)
        return True

    def forget_options(self, template: int) -> None:
        """Those of a template that has another layout now."""
        for datagram in self.options.pop(template, {}).values():
            self.octets -= len(datagram.payload)


def _digest(content: bytes) -> bytes:
    return blake2b(content, digest_size=16).digest()


class Knowledge:
    """Sees all messages of a run, in order, and keeps those that matter to what follows.

    domains, octets: bounds, beyond which domains without data go first, then those not heard for the longest time.
    """

    def __init__(self, *, domains: int = MAX_DOMAINS, octets: int = MAX_OCTETS) -> None:
        self._max_domains = domains
        self._max_octets = octets
        self._octets = 0
        self._domains: OrderedDict[tuple[Session, int, bytes], _Domain] = OrderedDict()
        self._eviction: EvictionOrder[tuple[Session, int, bytes]] = EvictionOrder(self._last_of)
        self._session: Session | None = None
        self._of_session: dict[tuple[int, bytes], _Domain] = {}
        self._sessions: dict[Session, dict[tuple[int, bytes], _Domain]] = {}
        self.streams = False  # some came over TCP or SCTP, whose templates end with the connection
        self.running_totals = False  # some templates count totals, which take the flow's last record to read
        self.proven = False  # some data can be decoded
        self.revision = 0  # how many definitions were new

    @property
    def octets(self) -> int:
        """Of all messages kept."""
        return self._octets

    def see(self, datagram: Datagram) -> None:
        """Takes a message of any kind; what is not sound is passed over."""
        session, payload = datagram.session, datagram.payload
        if session is not self._session:
            self._enter(session)
        end = len(payload)
        version = payload[1] if end >= IPFIX_HEADER else 0
        if version == IPFIX:
            domain_key, position = (version, payload[12:16]), IPFIX_HEADER
        elif version == NETFLOW9:
            domain_key, position = (version, payload[16:20]), NETFLOW9_HEADER
        elif version == NETFLOW5:
            domain_key, position = (version, payload[20:22]), end
        else:
            return
        domain = self._of_session.get(domain_key)
        if domain is None:
            domain = self._add(session, domain_key)
        domain.last = datagram
        while end - position >= 4:
            set_id, length = _SET(payload, position)
            if set_id < FIRST_TEMPLATE_ID or set_id in domain.options:
                self._learn(domain, domain_key, datagram)
                return
            if length < 4:
                return
            if set_id not in domain.used and domain.is_used(set_id, length - 4):
                self._prove(session, domain_key)
            position += length

    def extend(self, later: Knowledge) -> None:
        """Takes what another has kept of messages that came after these."""
        for datagram in later.seed().taught:
            self.see(datagram)
        for (session, version, number), domain in later._domains.items():
            if domain.last is not None:
                if session is not self._session:
                    self._enter(session)
                known = self._of_session.get((version, number)) or self._add(session, (version, number))
                known.last = domain.last
        self.streams |= later.streams
        self.running_totals |= later.running_totals

    def seed(self, later: Iterable[Knowledge] = ()) -> Seed:
        """What a decoder needs that goes on from here. later: what was kept of the messages that follow."""
        domains = list(self._domains.values())
        taught = [message for domain in domains for message in _in_order(domain.definitions.values())]
        for domain in domains:
            for messages in domain.options.values():
                taught += _in_order(messages.values())
        return Seed(
            tuple(taught),
            tuple(domain.last for domain in domains if domain.last is not None),
            tuple(message for knowledge in later for message in knowledge.first_definitions()),
        )

    def first_definitions(self) -> Iterator[Datagram]:
        """The messages with definitions in the order in which each content came first."""
        for domain in self._domains.values():
            yield from domain.first

    def _enter(self, session: Session) -> None:
        self._session = session
        self._of_session = self._sessions.setdefault(session, {})
        self.streams |= session.transport != "udp"

    def _add(self, session: Session, domain_key: tuple[int, bytes]) -> _Domain:
        if len(self._domains) >= self._max_domains:
            self._forget_one()
        domain = self._of_session[domain_key] = self._domains[session, *domain_key] = _Domain()
        self._eviction.add((session, *domain_key))
        if domain_key[0] == NETFLOW5:  # needs no template
            self._prove(session, domain_key)
        return domain

    def _last_of(self, key: tuple[Session, int, bytes]) -> Datagram | None:
        return self._domains[key].last

    def _prove(self, session: Session, domain_key: tuple[int, bytes]) -> None:
        self._eviction.prove((session, *domain_key))
        self.proven = True

    def _forget_one(self) -> None:
        key = gone, version, number = self._eviction.next_to_go()
        self._eviction.drop(key)
        domain = self._domains.pop(key)
        self._octets -= domain.octets
        self._sessions[gone].pop((version, number), None)
        if not self._sessions[gone] and gone is not self._session:
            del self._sessions[gone]

    def _learn(self, domain: _Domain, domain_key: tuple[int, bytes], datagram: Datagram) -> None:
        """Keeps a message with definitions or options, if it is sound."""
        try:
            sets = read_header(datagram.payload).sets
            templates = list(_templates(domain_key[0], datagram.payload, sets))
        except Malformed:
            return
        self._octets -= domain.octets
        self._keep_of(domain, datagram, sets, templates)
        self._octets += domain.octets
        for bounds in sets:
            if domain.is_used(bounds.id, bounds.end - bounds.start):
                self._prove(datagram.session, domain_key)
        while self._octets > self._max_octets and len(self._domains) > 1:
            self._forget_one()

    def _keep_of(
        self, domain: _Domain, datagram: Datagram, sets: list[SetBounds], templates: list[Template]
    ) -> None:
        for template in templates:
            self._define(domain, template)
        definitions = [
            datagram.payload[bounds.start : bounds.end] for bounds in sets if bounds.id < FIRST_TEMPLATE_ID
        ]
        if definitions:
            numbers = frozenset(template.id for template in templates)
            is_new = domain.keep_definitions(datagram, b"".join(definitions), numbers)
            if is_new and len(domain.first) < MAX_DEFINITIONS:
                domain.first.append(datagram)
            return
        for bounds in sets:
            if bounds.id in domain.options:
                content = datagram.payload[bounds.start : bounds.end]
                domain.keep_options(domain.options[bounds.id], datagram, content)
                return

    def _define(self, domain: _Domain, template: Template) -> None:
        if template.same_as(domain.templates.get(template.id)):
            return
        self.revision += 1
        domain.define(template)
        domain.forget_options(template.id)
        if template.options and len(domain.options) < MAX_OPTIONS_TEMPLATES:
            domain.options[template.id] = OrderedDict()
        if not template.options and any(number in template.indices for number in _TOTALS):
            self.running_totals |= not any(number in template.indices for number in _DELTAS)


def _in_order(messages: Iterable[Datagram]) -> Iterator[Datagram]:
    """Messages in the order in which they came, with times that never decrease even if the clock was set back meanwhile:
    several lists are merged by these."""
    latest = 0
    for message in messages:
        latest = max(latest, message.time_ms or 0)
        yield message._replace(time_ms=latest) if message.time_ms is not None else message


def _templates(version: int, payload: bytes, sets: list[SetBounds]) -> Iterator[Template]:
    """The templates that a message defines. Raises Malformed."""
    template_set, options_set = (2, 3) if version == IPFIX else (0, 1)
    read = ipfix_definitions if version == IPFIX else netflow9_definitions
    for bounds in sets:
        if bounds.id in (template_set, options_set):
            cursor = Cursor(payload, bounds.start, bounds.end)
            for definition in read(cursor, options=bounds.id == options_set):
                if isinstance(definition, Template):
                    yield definition
