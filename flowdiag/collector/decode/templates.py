"""Template records: how the records of a data set are laid out (RFC 7011 3.4, RFC 3954 5.2 and 6.1).

Facts the design follows:
- IPFIX marks enterprise elements by the top bit, and four more octets follow; NetFlow v9 knows neither
  enterprise numbers nor variable lengths, whatever the type and length read (RFC 5655 B.1.3);
- the scope types of v9 options are a number space of their own; those of IPFIX are ordinary elements;
- a v9 options template gives octets of definitions, an IPFIX one counts of fields, scopes included;
- a template record without fields withdraws (RFC 7011 8.1); in an options template set it has 4 octets only;
- the same element may stand several times in a template: outer header first (RFC 7011 8).
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from struct import Struct
from typing import Final, NamedTuple

from flowdiag.collector.decode import ie
from flowdiag.collector.decode.cursor import Cursor
from flowdiag.collector.decode.elements import IANA, REVERSE, element_name
from flowdiag.collector.decode.layout import VARIABLE, Layout
from flowdiag.collector.decode.malformed import Malformed
from flowdiag.collector.report import FieldSpec

# The field length that says "each value carries its own length" (RFC 7011 7); IPFIX only.
# Ids below this are for sets of other kinds (RFC 7011 3.3.2, RFC 3954 5.2).
FIRST_TEMPLATE_ID: Final = 256
# Stands for the enterprise number in v9 scope fields, whose types are no elements (RFC 3954 6.1).
V9_SCOPE: Final = -1
V9_SCOPE_NAMES: Final = {1: "System", 2: "Interface", 3: "LineCard", 4: "Cache", 5: "Template"}
V9_INTERFACE_SCOPE: Final = 2

# No record can be longer than the largest set without its header.
_MAX_RECORD: Final = 65535 - 4
_ENTERPRISE_BIT: Final = 0x8000
_SPECIFIER: Final = Struct(">HH").unpack_from
_ENTERPRISE: Final = Struct(">I").unpack_from
# Descriptions of fields that are made once: exporters send the same templates again and again.
_SPECS_KEPT: Final = 8_192

# The elements that flows are made of: only these get into the columns.
_WANTED: Final = frozenset(number for number in vars(ie).values() if isinstance(number, int))


# Records with none of these (packet samples, statistics sent as data) describe no flow.
_FLOW_MARKS: Final = frozenset(
    (
        ie.SOURCE_IPV4, ie.DESTINATION_IPV4, ie.SOURCE_IPV6, ie.DESTINATION_IPV6, ie.SOURCE_IPV4_PREFIX,
        ie.DESTINATION_IPV4_PREFIX, ie.SOURCE_IPV6_PREFIX, ie.DESTINATION_IPV6_PREFIX, ie.OCTET_DELTA,
        ie.PACKET_DELTA, ie.OCTET_TOTAL, ie.PACKET_TOTAL, ie.INITIATOR_OCTETS, ie.RESPONDER_OCTETS,
        ie.LAYER2_OCTET_DELTA, ie.LAYER2_OCTET_TOTAL, ie.POST_OCTET_DELTA,
    )
)  # fmt: skip


class Field(NamedTuple):
    """A field specifier. enterprise: 0 for the IANA registry, V9_SCOPE for a v9 scope type."""

    id: int
    enterprise: int
    length: int

    def spec(self) -> FieldSpec:
        return _spec(self)


@lru_cache(maxsize=_SPECS_KEPT)
def _spec(field: Field) -> FieldSpec:
    number, enterprise, length = field
    if enterprise == V9_SCOPE:
        return FieldSpec(number, IANA, f"scope{V9_SCOPE_NAMES.get(number, str(number))}", length)
    return FieldSpec(number, enterprise, element_name(number, enterprise), length)


class Template:
    """A template, unchangeable."""

    __slots__ = (
        "fields", "flow", "id", "indices", "layout", "options", "reverse_indices", "scopes", "varying", "width",
    )  # fmt: skip

    def __init__(
        self, number: int, fields: tuple[Field, ...], *, scopes: int = 0, options: bool = False
    ) -> None:
        self.id = number
        self.fields = fields
        self.scopes = scopes  # how many of the fields are scopes
        self.options = options
        self.varying = any(field.length == VARIABLE for field in fields)
        # Octets of a record; of a varying template, the least it can have.
        self.width = sum(1 if field.length == VARIABLE else field.length for field in fields)
        self.layout: Layout | None = None  # filled in when records are first read
        # Of the fields that flows are made of, by element.
        self.indices: dict[int, list[int]] = {}
        self.reverse_indices: dict[int, list[int]] = {}
        for index, field in enumerate(fields):
            if field.id in _WANTED and field.length:
                if field.enterprise == IANA:
                    self.indices.setdefault(field.id, []).append(index)
                elif field.enterprise == REVERSE:
                    self.reverse_indices.setdefault(field.id, []).append(index)
        # Whether its records describe flows.
        self.flow = not options and not _FLOW_MARKS.isdisjoint(self.indices)

    @property
    def octets(self) -> int:
        """Octets of its definition, at most."""
        return 8 * len(self.fields) + 6

    def same_as(self, other: Template | None) -> bool:
        return (
            other is not None
            and self.fields == other.fields
            and self.scopes == other.scopes
            and self.options == other.options
        )


def layout_of(template: Template) -> Layout:
    """The template's layout, worked out once."""
    if template.layout is None:
        flow_fields = (template.indices, template.reverse_indices)
        wanted = {index for by_element in flow_fields for indices in by_element.values() for index in indices}
        template.layout = Layout([field.length for field in template.fields], wanted)
    return template.layout


class Withdrawal(NamedTuple):
    """Withdraws one id, or all (options) templates where id is that of the set (RFC 7011 8.1)."""

    id: int
    options: bool


class Dropped(NamedTuple):
    """A template record that cannot be used; the rest of its set can."""

    id: int
    why: str


Definition = Template | Withdrawal | Dropped


def ipfix_definitions(cursor: Cursor, *, options: bool) -> Iterator[Definition]:
    """The records of an IPFIX (options) template set. Raises Malformed if one runs past the set."""
    while cursor.left >= 4:
        number, count = cursor.unsigned(2), cursor.unsigned(2)
        if number == 0 and count == 0:
            return  # padding
        if count == 0:
            yield Withdrawal(number, options)
            continue
        scopes = cursor.unsigned(2) if options else 0
        fields = tuple(_ipfix_fields(cursor, count))
        if options and not 0 < scopes <= count:
            yield Dropped(number, "no scopes, or more scopes than fields")
            continue
        yield _checked(Template(number, fields, scopes=scopes, options=options))


def netflow9_definitions(cursor: Cursor, *, options: bool) -> Iterator[Definition]:
    """The records of a v9 (options) template FlowSet. Raises Malformed if one runs past the set."""
    head = 6 if options else 4
    while cursor.left >= head:
        number, count = cursor.unsigned(2), cursor.unsigned(2)
        scopes = 0
        if options:
            scope_octets, option_octets = count, cursor.unsigned(2)
            if scope_octets % 4 or option_octets % 4:
                raise Malformed("option lengths that are no multiple of 4", cursor.position)
            scopes, count = scope_octets // 4, (scope_octets + option_octets) // 4
        if number == 0 and count == 0:
            return  # padding
        if count == 0:
            yield Dropped(number, "no fields")
            continue
        fields = tuple(
            Field(cursor.unsigned(2), V9_SCOPE if index < scopes else IANA, cursor.unsigned(2))
            for index in range(count)
        )
        if any(field.length > _MAX_RECORD for field in fields):
            yield Dropped(number, "a field longer than any set")
            continue
        yield _checked(Template(number, fields, scopes=scopes, options=options))


def _ipfix_fields(cursor: Cursor, count: int) -> Iterator[Field]:
    """So many field specifiers, read without a step of the cursor for each: hostile templates have thousands.

    Raises Malformed if one runs past the set.
    """
    data, end, position = cursor.data, cursor.end, cursor.position
    for _ in range(count):
        octets = 8 if position < end and data[position] & 0x80 else 4
        if end - position < octets:
            raise Malformed("a field or record runs past its set", position)
        number, length = _SPECIFIER(data, position)
        if octets == 4:
            yield Field(number, IANA, length)
        else:
            yield Field(number & ~_ENTERPRISE_BIT, _ENTERPRISE(data, position + 4)[0], length)
        position += octets
    cursor.position = position


def _checked(template: Template) -> Template | Dropped:
    if template.id < FIRST_TEMPLATE_ID:
        return Dropped(template.id, "an id below 256")
    if template.width == 0:
        return Dropped(template.id, "records without octets")
    if template.width > _MAX_RECORD:
        return Dropped(template.id, "records longer than any set")
    return template


def _netflow5() -> Template:
    lengths = (
        (ie.SOURCE_IPV4, 4), (ie.DESTINATION_IPV4, 4), (15, 4), (ie.INGRESS_INTERFACE, 2), (ie.EGRESS_INTERFACE, 2),
        (ie.PACKET_DELTA, 4), (ie.OCTET_DELTA, 4), (ie.FLOW_START_UPTIME, 4), (ie.FLOW_END_UPTIME, 4),
        (ie.SOURCE_PORT, 2), (ie.DESTINATION_PORT, 2), (ie.PADDING, 1), (ie.TCP_CONTROL_BITS, 1), (ie.PROTOCOL, 1),
        (ie.CLASS_OF_SERVICE, 1), (16, 2), (17, 2), (9, 1), (13, 1), (ie.PADDING, 2),
    )  # fmt: skip
    return Template(0, tuple(Field(number, IANA, length) for number, length in lengths))


# NetFlow v5 has one fixed record of 48 octets (common practice; no RFC): a template like any other.
NETFLOW5: Final = _netflow5()
