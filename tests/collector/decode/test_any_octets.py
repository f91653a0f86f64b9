"""Whatever octets come, the decoder takes them: it never raises, always ends, and keeps within its bounds."""

from __future__ import annotations

import struct
from collections import Counter
from functools import cache

import pyarrow as pa
from hypothesis import given, settings
from hypothesis import strategies as st

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.decode import ie
from tests.collector.decode.wire import (
    EXPORT_S,
    FLOW_FIELDS,
    Decoded,
    a_set,
    datagrams,
    decode,
    flow,
    ipfix,
    netflow5,
    netflow9,
    options_template,
    options_template9,
    record5,
    session,
    template,
    with_template,
    with_template9,
)

ELEMENTS = sorted({number for number in vars(ie).values() if isinstance(number, int)})
WIDTHS = st.sampled_from([0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 16, 17, 255, 65535])
FIELDS = st.lists(
    st.one_of(
        st.tuples(st.sampled_from(ELEMENTS), WIDTHS),
        st.tuples(st.sampled_from(ELEMENTS), WIDTHS, st.sampled_from([29305, 32473])),
        st.tuples(st.integers(0, 0x7FFF), st.integers(0, 0xFFFF)),
    ),
    min_size=1,
    max_size=8,
)
IDS = st.integers(254, 260)
SETS = st.lists(
    st.one_of(
        st.builds(lambda number, fields: a_set(2, template(number, fields)), IDS, FIELDS),
        st.builds(lambda number, fields: a_set(0, template(number, fields)), IDS, FIELDS),
        st.builds(
            lambda number, fields, scopes: a_set(3, options_template(number, fields, scopes)),
            IDS,
            FIELDS,
            st.integers(0, 3),
        ),
        st.builds(
            lambda number, fields: a_set(1, options_template9(number, fields[:1], fields[1:])),
            IDS,
            st.lists(st.tuples(st.sampled_from(ELEMENTS), WIDTHS), min_size=1, max_size=6),
        ),
        st.builds(a_set, IDS, st.binary(max_size=200)),
        st.binary(max_size=12),
    ),
    max_size=6,
)
SEQUENCES = st.one_of(st.integers(0, 60), st.integers(0, 2**32 - 1))
EXPORTED = st.sampled_from([0, EXPORT_S, EXPORT_S + 100_000, 2**32 - 1])
MESSAGES = st.one_of(
    st.binary(max_size=80),
    st.builds(lambda sets, **head: ipfix(*sets, **head), SETS, sequence=SEQUENCES, export_s=EXPORTED),
    st.builds(lambda sets, **head: netflow9(*sets, **head), SETS, sequence=SEQUENCES, export_s=EXPORTED),
    st.builds(
        lambda body, count: struct.pack("!HH", 5, count) + body, st.binary(max_size=200), st.integers(0, 4)
    ),
)
SESSIONS = st.sampled_from(
    [session(), session(port=50_001), session(transport="tcp"), session(transport="file")]
)


def sound(table: pa.Table) -> None:
    table.validate(full=True)
    for row in table.to_pylist():
        if row["start"] is not None and row["end"] is not None:
            assert row["start"] <= row["end"]


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(SESSIONS, MESSAGES), max_size=12), st.sampled_from([1, 7, 1000]))
def test_no_octets_make_the_decoder_raise(messages: list[tuple[object, bytes]], batch_rows: int) -> None:
    fed = [Datagram(of, octets, None, 0) for of, octets in messages]  # type: ignore[arg-type]
    decoded = decode(*fed, batch_rows=batch_rows)
    sound(decoded.table)


def stream() -> list[bytes]:
    """Three protocols in one session, templates and options first, eleven messages of data each."""
    sampler = options_template(300, ((302, 2), (305, 4), (306, 4)))
    rate = struct.pack("!HII", 7, 1, 9)
    fields = (*FLOW_FIELDS, (302, 2), (82, 65535))
    varying = b"".join(flow(n) + struct.pack("!H", 7) + b"\x03eth" for n in range(1, 4))
    named = a_set(0, template(256, FLOW_FIELDS))
    messages = [
        ipfix(with_template(), a_set(2, template(257, fields)), a_set(3, sampler), a_set(300, rate)),
        netflow9(named),
    ]
    for k in range(11):
        sets = (a_set(256, flow(k + 1), flow(k + 2)), a_set(257, varying))
        messages.append(ipfix(*(sets if k % 2 else sets[::-1]), sequence=1 + 5 * k))
        messages.append(netflow9(a_set(256, flow(k + 20), flow(k + 30)), sequence=1 + k))
        messages.append(netflow5(record5(octets=100 + k), record5(), sequence=2 * k))
    return messages


@cache
def whole() -> Decoded:
    """What the stream says, decoded in one go; only looked at."""
    return decode(*stream())


@given(st.sampled_from(range(1, 400)))
@settings(max_examples=40, deadline=None)
def test_the_flow_table_does_not_depend_on_how_the_stream_is_cut_into_batches(batch_rows: int) -> None:
    cut = decode(*stream(), batch_rows=batch_rows)
    assert cut.table.to_pylist() == whole().table.to_pylist()
    assert cut.report == whole().report


def multiset(rows: list[dict[str, object]]) -> Counter[tuple[object, ...]]:
    return Counter(tuple(row.values()) for row in rows)


@given(st.permutations(range(2, 35)))
@settings(max_examples=40, deadline=None)
def test_shuffled_messages_give_the_same_flows_when_templates_come_first(order: list[int]) -> None:
    messages = datagrams(stream())
    shuffled = messages[:2] + [messages[k] for k in order]
    assert multiset(decode(*shuffled).rows) == multiset(whole().rows)
    assert len(whole().rows) == 11 * (5 + 2 + 2)


@given(st.integers(0, 400), st.integers(0, 255))
@settings(max_examples=200, deadline=None)
def test_one_wrong_octet_never_raises(place: int, value: int) -> None:
    messages = [
        bytearray(message) for message in (*stream()[:6], ipfix(with_template()), netflow9(with_template9()))
    ]
    for message in messages:
        if place < len(message):
            message[place] = value
    sound(decode(*(bytes(message) for message in messages)).table)
