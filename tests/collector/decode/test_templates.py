"""Templates: kinds, scope, order, redefinition, withdrawal, and the quirks of NetFlow v9."""

from __future__ import annotations

import struct

import pytest

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.decode.message_decoder import OTHER_PORT
from flowdiag.collector.decode.template_store import REDEFINED_IN_CONNECTION
from tests.collector.decode.wire import (
    FLOW_FIELDS,
    a_set,
    decode,
    file_session,
    flow,
    ipfix,
    netflow9,
    options_template9,
    session,
    template,
    with_template,
    with_template9,
)

SWAPPED = (*FLOW_FIELDS[:5], FLOW_FIELDS[6], FLOW_FIELDS[5], *FLOW_FIELDS[7:])
WITHDRAW = a_set(2, struct.pack("!HH", 256, 0))


def test_templates_of_domains_and_sessions_are_their_own() -> None:
    # RFC 7011 8: the same id in another domain or session is another template.
    def feed(port: int, *sets: bytes, domain: int = 1, sequence: int = 0) -> Datagram:
        return Datagram(session(port=port), ipfix(*sets, domain=domain, sequence=sequence), None, 0)

    decoded = decode(
        feed(1, with_template()),
        feed(1, a_set(2, template(256, SWAPPED)), domain=2),
        feed(2, a_set(2, template(256, SWAPPED))),
        feed(1, a_set(256, flow(3))),
        feed(1, a_set(256, flow(3)), domain=2),
        feed(2, a_set(256, flow(3))),
    )
    assert decoded.column("octets") == [300, 3, 3]


def test_a_new_definition_counts_from_where_it_stands() -> None:
    # RFC 7011 8.2, 8.4: sets act in the order they stand in.
    message = ipfix(
        with_template(), a_set(256, flow(3)), a_set(2, template(256, SWAPPED)), a_set(256, flow(4))
    )
    decoded = decode(message, ipfix(a_set(256, flow(5)), sequence=2))
    assert decoded.column("octets") == [300, 4, 5]
    told = decoded.report.sessions[0].templates[256]
    assert (told.records, told.redefined) == (3, 1)


def test_the_same_definition_again_is_no_redefinition() -> None:
    decoded = decode(*(ipfix(with_template(), a_set(256, flow()), sequence=n) for n in range(3)))
    assert decoded.report.sessions[0].templates[256].redefined == 0


@pytest.mark.parametrize("transport", ["udp", "file", "tcp", "sctp"])
def test_a_redefinition_is_noted_where_it_should_not_come(transport: str) -> None:
    # RFC 7011 8.1 for TCP and SCTP, 8.4 for UDP, RFC 5655 7.1 for files
    decoded = decode(
        ipfix(with_template(), a_set(2, template(256, SWAPPED)), a_set(256, flow(4))),
        of=session(transport=transport),
    )
    assert decoded.column("octets") == [4]
    assert decoded.problems == ([REDEFINED_IN_CONNECTION] if transport in ("tcp", "sctp") else [])


@pytest.mark.parametrize("transport", ["udp", "file", "tcp", "sctp"])
def test_a_withdrawal_is_obeyed_but_over_udp(transport: str) -> None:
    # RFC 7011 8.1, 8.4
    decoded = decode(ipfix(with_template(), WITHDRAW, a_set(256, flow())), of=session(transport=transport))
    assert len(decoded.rows) == (1 if transport == "udp" else 0)
    assert decoded.report.undecoded_sets == (0 if transport == "udp" else 1)


def test_a_withdrawn_template_may_come_again_without_a_word() -> None:
    message = ipfix(with_template(), WITHDRAW, a_set(2, template(256, SWAPPED)), a_set(256, flow(4)))
    decoded = decode(message, of=session(transport="tcp"))
    assert (decoded.column("octets"), decoded.problems) == ([4], [])


def test_data_before_its_template_is_read_when_it_comes() -> None:
    early = [ipfix(a_set(256, flow(n)), sequence=n - 1) for n in (1, 2)]
    decoded = decode(*early, ipfix(with_template(), a_set(256, flow(3)), sequence=2))
    assert sorted(decoded.column("octets")) == [100, 200, 300]  # type: ignore[type-var]
    assert (decoded.report.undecoded_sets, decoded.report.lost_records) == (0, 0)


def test_data_that_came_early_has_the_time_of_its_own_message() -> None:
    # Uptimes count from the header of the message they came in (RFC 3954 8).
    fields = ((8, 4), (1, 4), (22, 4), (21, 4))
    data = a_set(256, bytes(8) + struct.pack("!II", 90_000, 95_000))
    early = netflow9(data, uptime_ms=100_000, export_s=1_700_000_000)
    later = netflow9(a_set(0, template(256, fields)), sequence=1, uptime_ms=400_000, export_s=1_700_000_300)
    for batch_rows in (1, 1000):
        (row,) = decode(early, later, batch_rows=batch_rows).rows
        assert row["start"].timestamp() == 1_699_999_990  # type: ignore[attr-defined]


def test_data_never_taught_is_counted_and_its_template_named() -> None:
    decoded = decode(ipfix(a_set(300, bytes(8)), a_set(301, bytes(8))), ipfix(a_set(300, bytes(9))))
    assert decoded.report.undecoded_sets == 3
    assert decoded.problems == [
        "data sets without a template were left out (template ids 300, 301 of domain 1)"
    ]


def test_netflow9_data_is_read_with_the_template_of_another_port_in_the_end() -> None:
    # RFC 3954 5.1: the port is no part of the key of a v9 template.
    decoded = decode(
        Datagram(session(port=1), netflow9(with_template9()), None, 0),
        Datagram(session(port=2), netflow9(a_set(256, flow(2))), None, 0),
    )
    assert decoded.column("octets") == [200]
    assert decoded.problems == [OTHER_PORT]


def test_a_port_with_a_template_of_its_own_uses_that() -> None:
    decoded = decode(
        Datagram(session(port=1), netflow9(a_set(0, template(256, SWAPPED))), None, 0),
        Datagram(session(port=2), netflow9(a_set(256, flow(2))), None, 0),
        Datagram(session(port=2), netflow9(with_template9(), sequence=1), None, 0),
    )
    assert decoded.column("octets") == [200]


@pytest.mark.parametrize("count", [0, 1, 2, 3, 65_535])
def test_the_count_of_a_netflow9_header_decides_nothing(count: int) -> None:
    # RFC 3954 5.1 counts records, some exporters FlowSets (common practice).
    decoded = decode(netflow9(with_template9(), a_set(256, flow(1), flow(2)), count=count))
    assert (decoded.column("octets"), decoded.problems) == ([100, 200], [])


@pytest.mark.parametrize("padding", range(4))
@pytest.mark.parametrize("behind", range(4))
def test_padding_may_be_there_or_not(padding: int, behind: int) -> None:
    # RFC 3954 5.3; up to three octets behind the last set are ignored (common practice).
    message = netflow9(
        a_set(0, template(256, FLOW_FIELDS), padding=padding),
        a_set(1, options_template9(260, ((1, 4),), ((34, 4),)), padding=padding),
        a_set(260, bytes(4) + struct.pack("!I", 10), padding=padding),
        a_set(256, flow(1), flow(2), padding=padding),
    ) + bytes(behind)
    decoded = decode(message)
    assert (decoded.column("octets"), decoded.problems) == ([1000, 2000], [])


def test_a_private_type_of_netflow9_has_no_enterprise_number() -> None:
    # RFC 3954 5.2, RFC 5655 B.1.3: reading it the IPFIX way would shift every later field.
    fields = ((40_001, 4), *FLOW_FIELDS)
    decoded = decode(netflow9(a_set(0, template(256, fields)), a_set(256, bytes(4) + flow(3))))
    assert decoded.column("octets") == [300]


def test_65535_is_no_variable_length_in_netflow9() -> None:
    decoded = decode(
        netflow9(a_set(0, template(256, ((8, 4), (82, 65_535)))), with_template9(257), a_set(257, flow()))
    )
    assert decoded.column("octets") == [100]
    assert decoded.problems == ["templates with a field longer than any set were left out"]


def test_option_lengths_that_are_no_multiple_of_4_are_malformed() -> None:
    # RFC 3954 6.1: octets of definitions, 4 a field.
    head = struct.pack("!HHH", 260, 4, 6) + bytes(10)
    assert decode(netflow9(a_set(1, head))).problems == [
        "malformed messages were left out: option lengths that are no multiple of 4"
    ]


def test_an_options_template_of_netflow9_may_have_no_scope() -> None:
    told = a_set(1, options_template9(260, (), ((34, 4),)))
    assert decode(netflow9(with_template9(), told, a_set(260, b"\0\0\0\x0a"), a_set(256, flow()))).column(
        "octets"
    ) == [1000]


@pytest.mark.parametrize(
    ("definition", "why"),
    [
        (template(255, ((8, 4),)), "an id below 256"),
        (template(256, ((8, 0), (12, 0))), "records without octets"),
        (template(256, ((8, 40_000), (12, 40_000))), "records longer than any set"),
    ],
)
def test_a_template_that_cannot_be_used_is_named_and_the_others_stay(definition: bytes, why: str) -> None:
    decoded = decode(ipfix(a_set(2, definition, template(300, FLOW_FIELDS)), a_set(300, flow())))
    assert (len(decoded.rows), decoded.problems) == (1, [f"templates with {why} were left out"])


def test_a_field_without_octets_is_an_empty_value() -> None:
    decoded = decode(ipfix(a_set(2, template(256, ((5, 0), *FLOW_FIELDS))), a_set(256, flow(3))))
    assert (decoded.column("octets"), decoded.column("dscp")) == ([300], [None])


def test_padding_within_records_is_a_field() -> None:
    # RFC 7011 3.3.1: paddingOctets, fixed or variable
    fields = ((210, 3), *FLOW_FIELDS, (210, 65_535))
    data = a_set(256, *(bytes(3) + flow(n) + b"\2xx" for n in (1, 2)), padding=2)
    assert decode(ipfix(a_set(2, template(256, fields)), data)).column("octets") == [100, 200]


def test_enterprise_elements_are_stepped_over_and_shown() -> None:
    fields = (*FLOW_FIELDS[:3], (1, 8, 32473), *FLOW_FIELDS[3:], (9, 65_535, 32473))
    record = flow(3)[:10] + b"\xff" * 8 + flow(3)[10:] + b"\3abc"
    decoded = decode(ipfix(a_set(2, template(256, fields)), a_set(256, record, record)), of=file_session())
    assert decoded.column("octets") == [300, 300]
    shown = [
        (field.id, field.enterprise, field.name, field.length)
        for field in decoded.report.sessions[0].templates[256].fields
    ]
    assert shown[3] == (1, 32473, "32473/1", 8)
    assert shown[-1] == (9, 32473, "32473/9", 65_535)


def test_reserved_sets_are_passed_over_and_the_rest_is_read() -> None:
    decoded = decode(ipfix(with_template(), a_set(100, bytes(8)), a_set(256, flow())))
    assert (len(decoded.rows), decoded.problems) == (1, ["sets of a reserved id were passed over"])


def test_a_malformed_message_acts_not_at_all() -> None:
    # RFC 7011 9.1: the template before the damage does not count either.
    cut = ipfix(with_template(), a_set(256, flow()))[:-1]
    broken = cut[:2] + struct.pack("!H", len(cut)) + cut[4:]
    decoded = decode(broken, ipfix(a_set(256, flow()), sequence=1))
    assert decoded.rows == []
    assert [problem.offset for problem in decoded.report.problems] == [16 + len(with_template()), None]
