"""What options records tell: names, timeouts, elements, exporters, the exporter's own losses."""

from __future__ import annotations

import struct

import pytest

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.decode.decoder import Decoder
from flowdiag.collector.report import ExportReport
from tests.collector.decode.wire import (
    EXPORT_S,
    FLOW_FIELDS,
    a_set,
    decode,
    file_session,
    flow,
    ipfix,
    netflow9,
    options_template,
    options_template9,
    session,
    template,
    v4,
    v4_octets,
    with_template,
)


def varying(text: bytes) -> bytes:
    return bytes([len(text)]) + text


def interface_names(*messages: bytes) -> dict[int, tuple[str, str]]:
    interfaces = decode(*messages).report.interfaces
    return {index: (told.name, told.description) for (_, index), told in interfaces.items()}


@pytest.mark.parametrize("index", [10, 14, 252, 253])
def test_interface_names_by_any_element_that_names_an_interface(index: int) -> None:
    told = a_set(3, options_template(300, ((index, 4), (82, 65535), (83, 65535))))
    message = ipfix(told, a_set(300, struct.pack("!I", 3) + varying(b"ge0") + varying(b"to the provider")))
    assert interface_names(message) == {3: ("ge0", "to the provider")}


def test_the_same_element_counts_as_a_plain_field_too() -> None:
    told = a_set(3, options_template(300, ((149, 4), (82, 8), (10, 2))))
    assert interface_names(ipfix(told, a_set(300, bytes(4) + b"wan\0\0\0\0\0" + b"\0\5"))) == {5: ("wan", "")}


def test_an_interface_scope_of_netflow9_names_the_interface() -> None:
    # RFC 3954 6.1; fixed strings are padded with zeros (common practice).
    told = a_set(1, options_template9(260, ((2, 4),), ((82, 8), (83, 16))))
    record = struct.pack("!I", 2) + b"Gi0/2\0\0\0" + b"uplink fibre\0\0\0\0"
    assert interface_names(netflow9(told, a_set(260, record))) == {2: ("Gi0/2", "uplink fibre")}


BESIDE_FLOWS = ((10, 4), (14, 4), (82, 65535), (82, 65535))


def beside_flow(ingress: tuple[int, bytes], egress: tuple[int, bytes]) -> bytes:
    """A record that names its interfaces, the ingress one first (common practice)."""
    numbers = struct.pack("!II", ingress[0], egress[0])
    return numbers + varying(ingress[1]) + varying(egress[1])


@pytest.mark.parametrize("batch_rows", [1, 100])
def test_of_names_beside_flows_the_last_told_counts_whatever_the_template_and_the_side(
    batch_rows: int,
) -> None:
    messages = [
        ipfix(a_set(2, template(300, BESIDE_FLOWS) + template(301, BESIDE_FLOWS))),
        ipfix(a_set(301, beside_flow((1, b"a"), (2, b"b"))), a_set(300, beside_flow((1, b"c"), (3, b"d")))),
        ipfix(a_set(301, beside_flow((3, b"e"), (1, b"f"))), sequence=2),
        ipfix(a_set(300, beside_flow((2, b""), (2, b""))), sequence=3),
    ]
    interfaces = decode(*messages, batch_rows=batch_rows).report.interfaces
    assert {index: told.name for (_, index), told in interfaces.items()} == {1: "f", 2: "b", 3: "e"}


@pytest.mark.parametrize("batch_rows", [1, 100])
def test_a_name_by_options_counts_before_one_beside_flows(batch_rows: int) -> None:
    told = a_set(3, options_template(310, ((10, 4), (82, 65535))))
    messages = [
        ipfix(a_set(2, template(300, BESIDE_FLOWS)), a_set(300, beside_flow((1, b"a"), (2, b"b")))),
        ipfix(told, a_set(310, struct.pack("!I", 1) + varying(b"wan")), sequence=1),
        ipfix(a_set(300, beside_flow((1, b"c"), (2, b"d"))), sequence=2),
    ]
    interfaces = decode(*messages, batch_rows=batch_rows).report.interfaces
    assert {index: told.name for (_, index), told in interfaces.items()} == {1: "wan", 2: "d"}


def test_a_long_name_is_cut_between_characters() -> None:
    told = a_set(3, options_template(300, ((10, 4), (82, 65535))))
    name = b"x" * 254 + "\u00e9".encode()
    assert interface_names(ipfix(told, a_set(300, struct.pack("!I", 3) + b"\xff\x01\x00" + name))) == {
        3: ("x" * 254, "")
    }


def test_a_name_that_is_no_utf8_is_kept_as_far_as_it_is() -> None:
    told = a_set(3, options_template(300, ((10, 4), (82, 65535))))
    assert interface_names(ipfix(told, a_set(300, struct.pack("!I", 3) + varying(b"caf\xe9")))) == {
        3: ("caf\ufffd", "")
    }


def test_names_in_flow_records_are_of_the_ingress_and_then_of_the_egress_interface() -> None:
    fields = a_set(2, template(256, (*FLOW_FIELDS, (10, 4), (14, 4), (82, 65535), (82, 65535))))
    record = flow() + struct.pack("!II", 1, 2) + varying(b"lan") + varying(b"wan")
    assert interface_names(ipfix(fields, a_set(256, record))) == {1: ("lan", ""), 2: ("wan", "")}


APPLICATIONS = options_template(300, ((95, 4), (96, 65535), (94, 65535)))


def test_flows_get_the_application_that_options_name() -> None:
    # RFC 6759 4.3; the selector in fewer octets than in the options (4.1).
    told = a_set(3, APPLICATIONS), a_set(300, b"\x0d\0\x27\x10" + varying(b"video-calls") + varying(b""))
    fields = a_set(2, template(256, (*FLOW_FIELDS, (95, 65535))))
    data = a_set(
        256, flow() + varying(b"\x0d\x27\x10"), flow() + varying(b"\x0d\x27\x11"), flow() + varying(b"")
    )
    decoded = decode(ipfix(*told, fields, data))
    assert decoded.column("application") == ["video-calls", None, None]
    assert decoded.report.applications == {"13:10000": "video-calls"}


def test_an_application_of_another_enterprise_is_another() -> None:
    # RFC 6759 4.1: engine 20 carries an enterprise number.
    told = a_set(3, options_template(300, ((95, 8), (96, 65535))))
    names = b"".join(
        struct.pack("!BI", 20, enterprise) + b"\0\0\1" + varying(name)
        for enterprise, name in ((32473, b"a"), (32474, b"b"))
    )
    assert decode(ipfix(told, a_set(300, names))).report.applications == {
        "20:32473:1": "a",
        "20:32474:1": "b",
    }


def test_a_name_in_the_record_counts_before_the_one_told() -> None:
    told = a_set(3, APPLICATIONS), a_set(300, b"\x0d\0\0\1" + varying(b"told") + varying(b""))
    fields = a_set(2, template(256, (*FLOW_FIELDS, (95, 4), (96, 65535))))
    data = a_set(256, flow() + b"\x0d\0\0\1" + varying(b"inline"), flow() + b"\x0d\0\0\1" + varying(b""))
    assert decode(ipfix(*told, fields, data)).column("application") == ["inline", "told"]


def test_names_of_one_exporter_are_not_those_of_another() -> None:
    told = ipfix(a_set(3, APPLICATIONS), a_set(300, b"\x06\0\0\1" + varying(b"till system") + varying(b"")))
    data = ipfix(a_set(2, template(256, (*FLOW_FIELDS, (95, 4)))), a_set(256, flow() + b"\x06\0\0\1"))
    decoded = decode(
        *(Datagram(session(of), octets, None, 0) for of, octets in ((1, told), (2, data), (1, data)))
    )
    assert decoded.column("application") == [None, "till system"]


def test_timeouts_are_reported() -> None:
    told = a_set(3, options_template(300, ((149, 4), (36, 2), (37, 2))))
    (report,) = decode(ipfix(told, a_set(300, struct.pack("!IHH", 1, 60, 15)))).report.sessions
    assert (report.active_timeout_s, report.idle_timeout_s) == (60, 15)


def test_the_start_of_the_exporter_anchors_uptimes() -> None:
    # RFC 5102 5.9.11: elements 21 and 22 in IPFIX count from 160.
    told = a_set(3, options_template(300, ((149, 4), (160, 8))))
    init_ms = EXPORT_S * 1000 - 100_000
    fields = a_set(2, template(256, ((8, 4), (1, 4), (22, 4), (21, 4))))
    message = ipfix(
        fields,
        told,
        a_set(300, struct.pack("!IQ", 1, init_ms)),
        a_set(256, bytes(8) + struct.pack("!II", 90_000, 95_000)),
    )
    (row,) = decode(message).rows
    assert [row[name].timestamp() for name in ("start", "end")] == [EXPORT_S - 10, EXPORT_S - 5]  # type: ignore[attr-defined]


def test_a_start_beyond_any_time_is_kept_as_the_largest_that_sums_have_room_for() -> None:
    told = a_set(3, options_template(300, ((149, 4), (160, 8))))
    for init_ms, kept in (((1 << 61) - 1, (1 << 61) - 1), ((1 << 64) - 1, 1 << 61)):
        decoder = Decoder(ExportReport())
        message = ipfix(told, a_set(300, struct.pack("!IQ", 1, init_ms)))
        decoder.feed(Datagram(session(), message, None, 0))
        assert [domain.announced_init_ms for domain in decoder._roster.domains.values()] == [kept]


def test_a_restart_of_the_exporter_counts_from_its_message_on() -> None:
    told = a_set(3, options_template(300, ((149, 4), (160, 8))))
    fields = a_set(2, template(256, ((8, 4), (1, 4), (22, 4), (21, 4))))
    data = a_set(256, bytes(8) + struct.pack("!II", 1000, 2000))
    at = [(EXPORT_S - 1000) * 1000, (EXPORT_S - 100) * 1000]
    messages = [
        ipfix(fields, told, a_set(300, struct.pack("!IQ", 1, at[0])), data),
        ipfix(a_set(300, struct.pack("!IQ", 1, at[1])), data, sequence=2),
    ]
    starts = [row["start"].timestamp() for row in decode(*messages).rows]  # type: ignore[attr-defined]
    assert starts == [EXPORT_S - 999, EXPORT_S - 99]


def test_what_the_exporter_lost_itself_is_noted() -> None:
    # RFC 7011 4.2 and 4.3
    told = a_set(3, options_template(300, ((143, 4), (164, 8), (166, 8))))
    decoded = decode(
        ipfix(told, a_set(300, struct.pack("!IQQ", 1, 70, 0)), a_set(300, struct.pack("!IQQ", 1, 90, 3)))
    )
    assert decoded.report.notes == [
        "the exporter reports that 90 packets were not metered (domain 1)",
        "the exporter reports that 3 flow records were not sent (domain 1)",
    ]


TYPES = options_template(301, ((346, 4), (303, 2), (339, 1), (341, 65535)), 2)


def test_enterprise_elements_get_the_names_that_the_exporter_teaches() -> None:
    # RFC 5610 3.9; the enterprise bit of 303 does not count.
    taught = struct.pack("!IHB", 32473, 0x8005, 2) + varying(b"doorBellCount")
    used = a_set(2, template(256, ((8, 4), (5, 4, 32473), (6, 4, 32473))))
    (report,) = decode(ipfix(used, a_set(3, TYPES), a_set(301, taught))).report.sessions
    assert [field.name for field in report.templates[256].fields] == [
        "sourceIPv4Address",
        "doorBellCount",
        "32473/6",
    ]


def test_a_known_element_keeps_its_name() -> None:
    # RFC 5610 3.10
    taught = struct.pack("!IHB", 0, 8, 2) + varying(b"somethingElse")
    (report,) = decode(ipfix(with_template(), a_set(3, TYPES), a_set(301, taught))).report.sessions
    assert report.templates[256].fields[0].name == "sourceIPv4Address"


SESSION_DETAILS = options_template(302, ((267, 8), (130, 4), (217, 2)), 1)


def test_a_file_tells_its_exporter() -> None:
    # RFC 5655 8.1.3
    details = a_set(3, SESSION_DETAILS), a_set(302, bytes(8) + v4_octets("192.0.2.77") + b"\x13\x88")
    decoded = decode(ipfix(*details, with_template(), a_set(256, flow())), of=file_session())
    assert decoded.column("exporter") == [v4("192.0.2.77")]
    assert (decoded.report.sessions[0].exporter, decoded.report.sessions[0].port) == (v4("192.0.2.77"), 5000)


def test_a_datagram_comes_from_where_it_comes_from() -> None:
    details = a_set(3, SESSION_DETAILS), a_set(302, bytes(8) + v4_octets("192.0.2.77") + b"\x13\x88")
    assert decode(ipfix(*details, with_template(), a_set(256, flow()))).column("exporter") == [
        v4("192.0.2.1")
    ]


def test_behind_a_mediator_the_original_exporter_and_domain_count() -> None:
    # RFC 7119 5
    fields = a_set(2, template(256, (*FLOW_FIELDS, (403, 4), (405, 4))))
    data = a_set(
        256,
        flow() + v4_octets("192.0.2.9") + struct.pack("!I", 12),
        flow() + bytes(4) + struct.pack("!I", 13),
    )
    decoded = decode(ipfix(fields, data))
    assert list(zip(decoded.column("exporter"), decoded.column("domain"), strict=True)) == [
        (v4("192.0.2.9"), 12),
        (v4("192.0.2.1"), 13),
    ]


def test_a_file_may_name_the_exporter_in_each_record() -> None:
    fields = a_set(2, template(256, (*FLOW_FIELDS, (130, 4))))
    message = ipfix(fields, a_set(256, flow() + v4_octets("192.0.2.9")))
    assert decode(message, of=file_session()).column("exporter") == [v4("192.0.2.9")]
    assert decode(message).column("exporter") == [v4("192.0.2.1")]


def test_an_options_template_of_scopes_only_is_legal() -> None:
    # RFC 5473 5
    decoded = decode(ipfix(a_set(3, options_template(300, ((137, 8),))), a_set(300, bytes(8))))
    assert decoded.problems == []
    assert decoded.report.sessions[0].option_records == 1


def test_options_come_in_any_order_with_their_template() -> None:
    told = a_set(3, options_template(300, ((10, 4), (82, 4))))
    early = ipfix(a_set(300, struct.pack("!I", 4) + b"wan\0"))
    assert interface_names(early, ipfix(told, sequence=1)) == {4: ("wan", "")}
