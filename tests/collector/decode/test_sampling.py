"""Every form in which a sampling rate is told, and where it applies. Factors worked out by hand from the RFCs named."""

from __future__ import annotations

import struct

import pytest

from flowdiag.collector.decode.options import AMBIGUOUS_SAMPLING
from tests.collector.decode.wire import (
    FLOW_FIELDS,
    a_set,
    decode,
    flow,
    ipfix,
    netflow5,
    netflow9,
    options_template,
    options_template9,
    record5,
    template,
    with_template,
    with_template9,
)

Fields = tuple[tuple[int, int], ...]

FORMS: dict[str, tuple[Fields, bytes, float]] = {
    # RFC 3954 8: one packet in N.
    "34": (((34, 4),), struct.pack("!I", 100), 100),
    "50": (((50, 2),), struct.pack("!H", 512), 512),
    # RFC 5477 8.2.2: 10 packets in a row, then 90 left out.
    "305 and 306": (((304, 2), (305, 4), (306, 4)), struct.pack("!HII", 1, 10, 90), 10),
    # RFC 5477 8.2.4: 1 ms on, 4 ms off.
    "307 and 308": (((304, 2), (307, 4), (308, 4)), struct.pack("!HII", 2, 1000, 4000), 5),
    # RFC 5477 8.2.6: 2 of 7.
    "309 and 310": (((304, 2), (309, 4), (310, 4)), struct.pack("!HII", 3, 2, 7), 3.5),
    # RFC 5477 8.2.8, in either width of RFC 7011 6.2.
    "311": (((304, 2), (311, 8)), struct.pack("!Hd", 4, 0.05), 20),
    "311 in 4 octets": (((304, 2), (311, 4)), struct.pack("!Hf", 4, 0.125), 8),
    # RFC 5477 8.2.1: a filter leaves out by content, which no factor undoes.
    "a filter": (((304, 2), (34, 4)), struct.pack("!HI", 5, 100), 1),
}


@pytest.mark.parametrize(("fields", "value", "factor"), FORMS.values(), ids=FORMS)
def test_a_rate_of_the_domain_scales_its_flows(fields: Fields, value: bytes, factor: float) -> None:
    told = options_template(300, ((149, 4), *fields))
    decoded = decode(
        ipfix(
            with_template(),
            a_set(3, told),
            a_set(300, struct.pack("!I", 1) + value),
            a_set(256, flow(2)),
        )
    )
    (row,) = decoded.rows
    assert (row["octets"], row["packets"], row["sampling"]) == (
        200 * factor,
        2 * factor,
        round(factor + 1e-9),
    )
    (session,) = decoded.report.sessions
    assert (session.octets, session.octets_scaled, session.sampling) == (200, 200 * factor, factor)


@pytest.mark.parametrize(
    ("probability", "factor"),
    [(1.0, 1), (0.5, 2), (1.0000001, 10), (0.0, 10), (-0.5, 10), (float("nan"), 10)],
)
def test_a_probability_from_above_zero_to_one_takes_the_place_of_the_rate_before(
    probability: float, factor: int
) -> None:
    told = a_set(3, options_template(300, ((149, 4), (34, 4)))) + a_set(
        3, options_template(301, ((149, 4), (311, 8)))
    )
    rates = a_set(300, struct.pack("!II", 1, 10)) + a_set(301, struct.pack("!Id", 1, probability))
    assert decode(ipfix(with_template(), told, rates, a_set(256, flow()))).column("sampling") == [factor]


@pytest.mark.parametrize(
    "value",
    [struct.pack("!I", 0), struct.pack("!I", (1 << 24) + 1)],
    ids=["zero", "beyond any sampling"],
)
def test_an_implausible_rate_is_none(value: bytes) -> None:
    message = ipfix(
        with_template(),
        a_set(3, options_template(300, ((149, 4), (34, 4)))),
        a_set(300, bytes(4) + value),
        a_set(256, flow()),
    )
    assert decode(message).column("octets") == [100]


def test_packets_in_a_row_without_packets_between_tell_no_rate_and_are_noted() -> None:
    told = options_template(300, ((149, 4), (305, 4)))
    decoded = decode(
        ipfix(with_template(), a_set(3, told), a_set(300, bytes(4) + b"\0\0\0\x64"), a_set(256, flow()))
    )
    assert decoded.column("octets") == [100]
    assert decoded.report.sessions[0].sampling_note == AMBIGUOUS_SAMPLING


def test_the_nearest_rate_counts() -> None:
    # In the record, then its selector, its interface, the domain, the session (domain 0).
    session_wide = ipfix(
        a_set(3, options_template(300, ((144, 4), (34, 4)))), a_set(300, struct.pack("!II", 9, 2)), domain=0
    )
    domain_wide = (
        a_set(3, options_template(301, ((149, 4), (34, 4)))) + a_set(301, struct.pack("!II", 1, 3)),
        a_set(3, options_template(302, ((10, 4), (34, 4)))) + a_set(302, struct.pack("!II", 7, 5)),
        a_set(3, options_template(303, ((302, 2), (34, 4)))) + a_set(303, struct.pack("!HI", 4, 11)),
    )
    fields = (*FLOW_FIELDS, (10, 4), (302, 8), (34, 4))
    data = [
        flow() + struct.pack("!IQI", interface, selector, rate)
        for interface, selector, rate in ((7, 4, 13), (7, 4, 0), (7, 0, 0), (8, 0, 0))
    ]
    near = ipfix(*domain_wide, a_set(2, template(256, fields)), a_set(256, *data))
    far = ipfix(with_template(), a_set(256, flow()), domain=2)
    assert decode(session_wide, near, far).column("sampling") == [13, 11, 5, 3, 2]


def test_the_one_sampler_told_counts_for_records_that_do_not_name_theirs() -> None:
    told = a_set(1, options_template9(260, ((1, 4),), ((48, 1), (49, 1), (50, 4))))
    rate = a_set(260, bytes(4) + struct.pack("!BBI", 3, 2, 64))
    assert decode(netflow9(with_template9(), told, rate, a_set(256, flow()))).column("sampling") == [64]


def test_a_sampler_is_found_by_its_number_in_whatever_width() -> None:
    # Element 48 is one octet in RFC 3954 8, two and four are common practice.
    told = a_set(1, options_template9(260, ((1, 4),), ((48, 1), (50, 4))))
    rates = a_set(260, *(bytes(4) + struct.pack("!BI", number, 10 * number) for number in (1, 2)))
    fields = a_set(0, template(256, (*FLOW_FIELDS, (48, 4))))
    data = a_set(256, *(flow() + struct.pack("!I", number) for number in (2, 1, 3)))
    assert decode(netflow9(told, rates, fields, data)).column("sampling") == [20, 10, 1]


def test_engine_wide_sampling_of_netflow9() -> None:
    told = a_set(1, options_template9(260, ((1, 0),), ((34, 4), (35, 1))), padding=2)
    rate = a_set(260, struct.pack("!IB", 1000, 2), padding=3)
    assert decode(netflow9(with_template9(), told, rate, a_set(256, flow()))).column("octets") == [100_000]


def test_a_rate_of_an_interface_of_netflow9_counts_by_its_scope_and_metering_point() -> None:
    told = a_set(1, options_template9(260, ((2, 2),), ((34, 4),)))
    rates = a_set(260, struct.pack("!HI", 5, 10), struct.pack("!HI", 6, 20))
    fields = a_set(0, template(256, (*FLOW_FIELDS, (10, 2), (14, 2), (61, 1))))
    data = a_set(256, *(flow() + struct.pack("!HHB", 5, 6, direction) for direction in (0, 1)))
    assert decode(netflow9(told, rates, fields, data)).column("sampling") == [10, 20]


def test_selectors_in_a_row_multiply() -> None:
    # RFC 5476 6.5.1: a selection sequence passes its selectors one after another.
    rates = a_set(3, options_template(300, ((302, 4), (34, 4))))
    told = a_set(300, struct.pack("!IIII", 1, 10, 2, 4))
    sequence = a_set(3, options_template(301, ((301, 8), (302, 4), (302, 4)))) + a_set(
        301, struct.pack("!QII", 9, 1, 2)
    )
    fields = a_set(2, template(256, (*FLOW_FIELDS, (301, 8))))
    message = ipfix(rates, told, sequence, fields, a_set(256, flow() + struct.pack("!Q", 9)))
    assert decode(message).column("sampling") == [40]


def test_the_factor_attained_counts_where_none_is_configured() -> None:
    # RFC 5476 6.5.3: packets observed and packets selected, here 1000 and 40.
    told = a_set(3, options_template(300, ((301, 8), (318, 8), (319, 8)))) + a_set(
        300, struct.pack("!QQQ", 9, 1000, 40)
    )
    fields = a_set(2, template(256, (*FLOW_FIELDS, (301, 8))))
    assert decode(ipfix(told, fields, a_set(256, flow() + struct.pack("!Q", 9)))).column("sampling") == [25]


@pytest.mark.parametrize(("word", "factor"), [(0, 1), (1, 1), (0x4064, 100), (0x8064, 100), (0x3FFF, 16_383)])
def test_the_sampling_word_of_netflow5(word: int, factor: int) -> None:
    # Common practice: mode in the top two bits, interval in the others.
    decoded = decode(
        netflow5(record5(octets=7), sampling=word), netflow5(record5(octets=7), sampling=word, sequence=1)
    )
    assert decoded.column("octets") == [7 * factor] * 2


def test_a_rate_that_comes_after_flows_counts_for_them_and_a_change_from_its_message_on() -> None:
    told = a_set(3, options_template(300, ((149, 4), (34, 4))))
    messages = [
        ipfix(with_template(), a_set(256, flow())),
        ipfix(told, a_set(300, struct.pack("!II", 1, 10)), sequence=1),
        ipfix(a_set(256, flow()), sequence=2),
        ipfix(a_set(300, struct.pack("!II", 1, 20)), a_set(256, flow()), sequence=3),
        ipfix(a_set(256, flow()), sequence=5),
    ]
    assert decode(*messages).column("sampling") == [10, 10, 20, 20]


def test_scaling_can_be_left_to_the_reader() -> None:
    message = netflow5(record5(octets=7), sampling=0x4064)
    unscaled = decode(message, scale=False)
    assert (unscaled.column("octets"), unscaled.column("sampling")) == ([7], [100])


def test_scaled_counters_end_at_what_64_bits_hold() -> None:
    fields = a_set(2, template(256, ((8, 4), (1, 8), (2, 8), (34, 4))))
    record = bytes(4) + struct.pack("!QQI", 2**63, 1, 4)
    assert decode(ipfix(fields, a_set(256, record))).column("octets") == [(2**64 - 1) // 4 * 4]
