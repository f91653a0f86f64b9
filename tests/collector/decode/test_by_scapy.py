"""Random templates and records of all three protocols: scapy, a decoder that shares nothing with ours, reads the same.

scapy 2.8 splits fixed-length records and the first record of an options set by itself. It knows no variable length;
there its general fields (length, conditional long length, string) are put together from the template.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from typing import Any, NamedTuple

import scapy.layers.netflow as netflow
from hypothesis import given
from hypothesis import strategies as st
from scapy.fields import ByteField, ConditionalField, ShortField, StrFixedLenField, StrLenField
from scapy.packet import Packet

from tests.collector.decode.wire import (
    EXPORT_S,
    UPTIME_MS,
    FieldPair,
    a_set,
    decode,
    ipfix,
    netflow5,
    netflow9,
    options_template,
    options_template9,
    template,
    v4,
)

VARIABLE = 65_535
ENTERPRISE = 32_473  # documentation (RFC 5612)
OF_ENTERPRISE = 20_000  # an element that scapy does not take for one of IANA's

# The elements of flows here and the column that each becomes; scapy's own names are its own affair.
COLUMNS = {
    1: "octets", 2: "packets", 4: "protocol", 5: "dscp", 6: "tcp_flags", 7: "src_port", 8: "src_address",
    10: "ingress_interface", 11: "dst_port", 12: "dst_address", 14: "egress_interface", 21: "end", 22: "start",
    27: "src_address", 28: "dst_address", 61: "direction", 136: "end_reason", 152: "start", 153: "end",
}  # fmt: skip
WIDTHS = {1: (1, 2, 3, 4, 5, 8), 2: (1, 2, 4, 7, 8), 10: (1, 2, 4), 14: (1, 2, 4)}
FIELD_NAMES = netflow.NetflowV910TemplateFieldTypes
NAMES = {number: FIELD_NAMES[number] for number in COLUMNS}
SCALE = {"dscp": 4}


class Layout(NamedTuple):
    """A template: its id and fields, elements in any order."""

    id: int
    fields: tuple[FieldPair, ...]


# Templates, and data sets of them in order: what is sent.
Stream = tuple[list[Layout], list[tuple[Layout, list[bytes]]]]


@st.composite
def layouts(draw: st.DrawFn, *, uptime: bool, variable: bool) -> Layout:
    addresses = draw(st.sampled_from([((8, 4), (12, 4)), ((27, 16), (28, 16))]))
    fields: list[FieldPair] = [*addresses, (4, 1), (1, draw(st.sampled_from(WIDTHS[1])))]
    others = draw(st.sets(st.sampled_from([2, 5, 6, 10, 14, 61, 136])))
    fields += [(number, draw(st.sampled_from(WIDTHS.get(number, (1,))))) for number in others]
    if draw(st.booleans()):
        fields += [(7, 2), (11, 2)]
    fields += [(22, 4), (21, 4)] if uptime else [(152, 8), (153, 8)]
    if not uptime and draw(st.booleans()):
        fields.append((OF_ENTERPRISE, draw(st.integers(1, 300)), ENTERPRISE))
    if variable:
        fields.append((82, VARIABLE))
        if draw(st.booleans()):
            fields.append((OF_ENTERPRISE + 1, VARIABLE, ENTERPRISE))
    return Layout(draw(st.integers(256, 65_535)), tuple(draw(st.permutations(fields))))


@st.composite
def values(draw: st.DrawFn, layout: Layout, before_ms: int) -> bytes:
    """A record. Ends no later than it is sent, and no port 0: protocols without ports are not asked about here."""
    end = before_ms - draw(st.integers(0, 60_000))
    start = end - draw(st.integers(0, 1_800_000))
    whole = {22: start, 152: start, 21: end, 153: end, 4: draw(st.sampled_from([6, 17]))}
    parts = []
    for number, width, *_ in layout.fields:
        if width == VARIABLE:
            text = draw(st.binary(max_size=600))
            long = len(text) > 254 or draw(st.booleans())
            parts.append((b"\xff" + len(text).to_bytes(2) if long else bytes([len(text)])) + text)
        elif number in whole:
            parts.append(whole[number].to_bytes(width))
        elif number in (7, 11):
            parts.append(draw(st.integers(1, 65_535)).to_bytes(2))
        else:
            parts.append(draw(st.binary(min_size=width, max_size=width)))
    return b"".join(parts)


@st.composite
def streams(draw: st.DrawFn, *, uptime: bool, variable: bool = False) -> Stream:
    """Templates, and data sets of them in any order."""
    known = draw(
        st.lists(
            layouts(uptime=uptime, variable=variable), min_size=1, max_size=3, unique_by=lambda one: one.id
        )
    )
    before = UPTIME_MS if uptime else EXPORT_S * 1000
    order = draw(st.lists(st.sampled_from(known), min_size=1, max_size=5))
    return known, [
        (layout, draw(st.lists(values(layout, before), min_size=1, max_size=4))) for layout in order
    ]


def ipfix_messages(known: list[Layout], sets: list[tuple[Layout, list[bytes]]]) -> list[bytes]:
    """The templates in one message, then each data set in one of its own."""
    messages, sequence = [ipfix(a_set(2, *(template(one.id, one.fields) for one in known)))], 0
    for layout, records in sets:
        messages.append(ipfix(a_set(layout.id, *records), sequence=sequence))
        sequence += len(records)
    return messages


def flow_of(read: dict[str, Any], zero_ms: int) -> dict[str, Any]:
    """A record as scapy reads it, its fields under our columns' names; zero_ms: when its times begin."""
    row: dict[str, Any] = {}
    for number, column in COLUMNS.items():
        if NAMES[number] not in read:
            continue
        value = read[NAMES[number]]
        if column in ("src_address", "dst_address"):
            address = ipaddress.ip_address(str(value))
            row[column] = v4(str(value)) if address.version == 4 else address.packed
        else:
            whole = int.from_bytes(value) if isinstance(value, bytes) else int(value)
            row[column] = zero_ms + whole if column in ("start", "end") else whole // SCALE.get(column, 1)
    return row


def own_flows(messages: list[bytes]) -> list[dict[str, Any]]:
    """Our rows, the columns that are there."""
    rows = []
    for row in decode(*messages).rows:
        for time in ("start", "end"):
            assert row[time] is not None
            row[time] = round(row[time].timestamp() * 1000)  # type: ignore[attr-defined]
        rows.append(row)
    return rows


def assert_same(messages: list[bytes], read: list[dict[str, Any]]) -> None:
    own = own_flows(messages)
    assert len(own) == len(read)
    for row, expected in zip(sorted(own, key=_order), sorted(read, key=_order), strict=True):
        if (
            expected["src_address"][:12] != v4("0.0.0.0")[:12]
        ):  # IPv6 may say an IPv4-mapped address; kept as it is
            assert len(expected["src_address"]) == 16
        assert {column: row[column] for column in expected} == expected
        for column in {"src_port", "tcp_flags", "dscp", "direction", "end_reason"} - expected.keys():
            assert row[column] is None


def _order(row: dict[str, Any]) -> tuple[Any, ...]:
    return tuple(
        row[column] for column in ("src_address", "dst_address", "start", "end", "octets", "protocol")
    )


def data_layers(messages: list[bytes], *, split: bool) -> Iterator[Any]:
    packets = [netflow.NetflowHeader(message) for message in messages]
    if split:
        packets = netflow.netflowv9_defragment(packets)
    for packet in packets:
        layer = packet.payload
        while layer:
            if isinstance(layer, netflow.NetflowDataflowsetV9):
                yield layer
            layer = layer.payload


def scapy_flows(messages: list[bytes], zero_ms: int) -> list[dict[str, Any]]:
    return [
        flow_of(record.fields, zero_ms)
        for layer in data_layers(messages, split=True)
        for record in layer.records
    ]


@given(streams(uptime=False))
def test_ipfix(stream: Stream) -> None:
    messages = ipfix_messages(*stream)
    assert_same(messages, scapy_flows(messages, 0))


@given(streams(uptime=True))
def test_netflow9(stream: Stream) -> None:
    known, sets = stream
    messages = [netflow9(a_set(0, *(template(one.id, one.fields) for one in known)), count=len(known))]
    for number, (layout, records) in enumerate(sets, 1):
        padding = -sum(map(len, records)) % 4
        messages.append(
            netflow9(a_set(layout.id, *records, padding=padding), sequence=number, count=len(records))
        )
    assert_same(messages, scapy_flows(messages, EXPORT_S * 1000 - UPTIME_MS))


def _record_class(layout: Layout) -> type[Packet]:
    """A scapy packet of one record, of scapy's general fields."""
    fields: list[Any] = []
    for place, (number, width, *_) in enumerate(layout.fields):
        if width != VARIABLE:
            fields.append(StrFixedLenField(FIELD_NAMES.get(number, f"other_{place}"), b"", length=width))
            continue
        short, long = f"short_{place}", f"long_{place}"
        fields += [
            ByteField(short, 0),
            ConditionalField(ShortField(long, 0), lambda p, short=short: getattr(p, short) == 255),
            StrLenField(
                f"value_{place}",
                b"",
                length_from=lambda p, short=short, long=long: (
                    getattr(p, long) if getattr(p, short) == 255 else getattr(p, short)
                ),
            ),
        ]
    return type("Record", (Packet,), {"fields_desc": fields})


@given(streams(uptime=False, variable=True))
def test_ipfix_of_variable_length(stream: Stream) -> None:
    messages = ipfix_messages(*stream)
    kinds = {one.id: _record_class(one) for one in stream[0]}
    read = []
    for layer in data_layers(messages, split=False):
        rest = bytes(layer.records[0].fieldValue)
        while rest:
            record = kinds[layer.templateID](rest)
            rest = bytes(record.payload)
            fields = dict(record.fields)
            for number in (8, 12, 27, 28):
                if NAMES[number] in fields:
                    fields[NAMES[number]] = ipaddress.ip_address(fields[NAMES[number]])
            read.append(flow_of(fields, 0))
    assert_same(messages, read)


RECORDS_5 = st.builds(
    dict,
    src=st.ip_addresses(v=4).map(str),
    dst=st.ip_addresses(v=4).map(str),
    input=st.integers(0, 65_535),
    output=st.integers(0, 65_535),
    dpkts=st.integers(0, 2**32 - 1),
    dOctets=st.integers(0, 2**32 - 1),
    last=st.integers(UPTIME_MS - 60_000, UPTIME_MS),
    first=st.integers(UPTIME_MS - 1_800_000, UPTIME_MS - 60_000),
    srcport=st.integers(0, 65_535),
    dstport=st.integers(0, 65_535),
    tcpFlags=st.integers(0, 255),
    prot=st.sampled_from([6, 17]),
    tos=st.integers(0, 255),
)
COLUMNS_5 = {
    "src": "src_address", "dst": "dst_address", "input": "ingress_interface", "output": "egress_interface",
    "dpkts": "packets", "dOctets": "octets", "first": "start", "last": "end", "srcport": "src_port",
    "dstport": "dst_port", "tcpFlags": "tcp_flags", "prot": "protocol", "tos": "dscp",
}  # fmt: skip


@given(st.lists(st.lists(RECORDS_5, min_size=1, max_size=30), min_size=1, max_size=3))
def test_netflow5_written_by_scapy(datagrams: list[list[dict[str, Any]]]) -> None:
    boot = EXPORT_S * 1000 - UPTIME_MS
    messages, expected, sequence = [], [], 0
    for records in datagrams:
        body = [bytes(netflow.NetflowRecordV5(**record)) for record in records]
        messages.append(netflow5(*body, sequence=sequence))
        sequence += len(records)
        for record in records:
            row = {column: record[name] for name, column in COLUMNS_5.items()}
            row |= {"start": boot + row["start"], "end": boot + row["end"], "dscp": row["dscp"] // 4}
            expected.append(
                row | {"src_address": v4(row["src_address"]), "dst_address": v4(row["dst_address"])}
            )
    assert_same(messages, expected)


TEXTS = st.text(st.characters(codec="ascii", min_codepoint=33, max_codepoint=126), min_size=1, max_size=16)


def number_of(value: Any) -> int:
    return int.from_bytes(value) if isinstance(value, bytes) else int(value)


def told(messages: list[bytes]) -> tuple[int, bytes, bytes]:
    """Index, name and description of the one interface that we read of."""
    ((_, index), interface), *others = decode(*messages).report.interfaces.items()
    assert not others
    return index, interface.name.encode(), interface.description.encode()


OPTIONS = st.tuples(
    st.integers(1, 2**32 - 1), TEXTS, TEXTS, st.permutations([(82, 16), (83, 20), (OF_ENTERPRISE + 1, 3)])
)


def options_record(index: int, name: str, description: str, order: list[tuple[int, int]]) -> bytes:
    content = {82: name.encode(), 83: description.encode()}
    return index.to_bytes(4) + b"".join(
        content.get(number, b"").ljust(width, b"\0") for number, width in order
    )


@given(OPTIONS)
def test_options_of_netflow9(options: tuple[int, str, str, list[tuple[int, int]]]) -> None:
    *_, order = options
    messages = [
        netflow9(a_set(1, options_template9(300, ((2, 4),), order), padding=2)),
        netflow9(a_set(300, options_record(*options)), sequence=1),
    ]
    read: dict[str, Any] = {}
    for layer in data_layers(messages, split=True):
        for record in layer.records:
            read |= record.fields
    index, name, description = told(messages)
    assert index == options[0] == number_of(read[FIELD_NAMES[2]])  # scapy names a scope type like an element
    assert (name, description) == tuple(read[FIELD_NAMES[number]].rstrip(b"\0") for number in (82, 83))


@given(OPTIONS)
def test_options_of_ipfix(options: tuple[int, str, str, list[tuple[int, int]]]) -> None:
    *_, order = options
    layout = Layout(300, ((10, 4), *order))
    messages = [
        ipfix(a_set(3, options_template(300, layout.fields))),
        ipfix(a_set(300, options_record(*options))),
    ]
    # scapy reads the options template, and of its records only those of v9.
    template_read = netflow.NetflowHeader(messages[0])[netflow.NetflowOptionsFlowset10]
    fields = [(one.scopeFieldType, one.scopeFieldlength) for one in template_read.scopes]
    fields += [(one.optionFieldType, one.optionFieldlength) for one in template_read.options]
    assert tuple(fields) == layout.fields
    (layer,) = data_layers(messages, split=False)
    read = _record_class(Layout(300, tuple(fields)))(bytes(layer.records[0].fieldValue)).fields
    index, name, description = told(messages)
    assert index == number_of(read[FIELD_NAMES[10]])
    assert (name, description) == tuple(read[FIELD_NAMES[number]].rstrip(b"\0") for number in (82, 83))
