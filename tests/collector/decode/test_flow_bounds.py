"""Which counters and which records count, asked of the readers themselves, with columns given by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from flowdiag.collector.decode import ie
from flowdiag.collector.decode.counters import Counters, forward_counters, reverse_counters
from flowdiag.collector.decode.flows import _interface, _of_ip, _present, _traffic
from flowdiag.collector.decode.rows import Column
from flowdiag.collector.decode.templates import NETFLOW5
from tests.collector.decode.fake_columns import FakeColumns

# Each counter has a value of its own.
VALUES = {
    "OCTET_DELTA": 1, "PACKET_DELTA": 2, "OCTET_TOTAL": 3, "PACKET_TOTAL": 4, "POST_OCTET_DELTA": 5,
    "POST_PACKET_DELTA": 6, "INITIATOR_OCTETS": 7, "INITIATOR_PACKETS": 8, "RESPONDER_OCTETS": 9,
    "RESPONDER_PACKETS": 10, "LAYER2_OCTET_DELTA": 11, "LAYER2_OCTET_TOTAL": 12,
}  # fmt: skip


class BothWays(FakeColumns):
    """Columns whose reverse direction is given too."""

    def __init__(self, forward: str, reverse: str = "") -> None:
        super().__init__(1, **{name: np.array([VALUES[name]], np.uint64) for name in forward.split()})
        self._reverse = reverse

    def reversed(self) -> Any:
        return BothWays(self._reverse)


def told(counters: Counters | None) -> tuple[int, int, bool, bool] | None:
    """Octets, packets, whether they are totals, whether they are of frames."""
    if counters is None:
        return None
    assert counters.octets.dtype == counters.packets.dtype == np.uint64
    return int(counters.octets[0]), int(counters.packets[0]), counters.running, counters.layer2


@pytest.mark.parametrize(
    ("sent", "expected"),
    [
        ("OCTET_DELTA PACKET_DELTA OCTET_TOTAL PACKET_TOTAL POST_OCTET_DELTA", (1, 2, False, False)),
        ("OCTET_DELTA OCTET_TOTAL", (1, 0, False, False)),
        ("PACKET_DELTA POST_OCTET_DELTA LAYER2_OCTET_DELTA", (5, 2, False, False)),
        ("PACKET_DELTA LAYER2_OCTET_DELTA OCTET_TOTAL", (11, 2, False, True)),
        ("PACKET_DELTA", (0, 2, False, True)),
        ("INITIATOR_OCTETS INITIATOR_PACKETS RESPONDER_OCTETS OCTET_TOTAL", (7, 8, False, False)),
        ("RESPONDER_OCTETS RESPONDER_PACKETS", (0, 0, False, False)),
        ("OCTET_TOTAL PACKET_TOTAL POST_OCTET_DELTA", (3, 4, True, False)),
        ("OCTET_TOTAL", (3, 0, True, False)),
        ("PACKET_TOTAL LAYER2_OCTET_TOTAL", (12, 4, True, True)),
        ("POST_OCTET_DELTA POST_PACKET_DELTA LAYER2_OCTET_DELTA", (5, 6, False, False)),
        ("POST_OCTET_DELTA", (5, 0, False, False)),
        ("POST_PACKET_DELTA", (0, 6, False, False)),
        ("LAYER2_OCTET_DELTA LAYER2_OCTET_TOTAL", (11, 0, False, True)),
        ("LAYER2_OCTET_TOTAL", (12, 0, True, True)),
        ("", (0, 0, True, True)),
    ],
)
def test_of_the_counters_sent_the_nearest_to_the_flow_count(
    sent: str, expected: tuple[int, int, bool, bool]
) -> None:
    columns: Any = BothWays(sent)
    assert told(forward_counters(columns)) == expected


@pytest.mark.parametrize(
    ("forward", "reverse", "expected"),
    [
        ("OCTET_DELTA", "OCTET_DELTA PACKET_DELTA", (1, 2, False, False)),
        ("OCTET_DELTA", "PACKET_DELTA", (0, 2, False, True)),
        ("OCTET_TOTAL", "OCTET_TOTAL", (3, 0, True, False)),
        ("OCTET_TOTAL", "PACKET_TOTAL", (0, 4, True, True)),
        ("OCTET_DELTA", "POST_OCTET_DELTA", (5, 0, False, False)),
        ("INITIATOR_OCTETS RESPONDER_OCTETS RESPONDER_PACKETS", "", (9, 10, False, False)),
        ("INITIATOR_OCTETS", "", (0, 0, False, False)),
        ("RESPONDER_OCTETS", "", (9, 0, False, False)),
        ("OCTET_DELTA INITIATOR_OCTETS RESPONDER_OCTETS", "", None),  # what counts is of one direction
        ("PACKET_DELTA RESPONDER_OCTETS", "", None),
        ("OCTET_DELTA PACKET_DELTA", "", None),
        ("", "", None),
    ],
)
def test_the_reverse_direction_is_there_where_it_was_sent(
    forward: str, reverse: str, expected: tuple[int, int, bool, bool] | None
) -> None:
    columns: Any = BothWays(forward, reverse)
    assert told(reverse_counters(columns)) == expected


def counts(*values: int) -> np.ndarray[Any, np.dtype[np.uint64]]:
    return np.array(values, np.uint64)


def test_events_of_translation_are_no_traffic_and_firewall_events_where_nothing_was_counted() -> None:
    """Firewall events: 1 created, 2 deleted, 3 denied, 4 alert, 5 update (RFC 7012, element 233)."""

    def kept(octets: int, packets: int, reverse: tuple[int, int] | None, **events: Any) -> list[bool] | None:
        size = len(next(iter(events.values()))) if events else 1
        columns: Any = FakeColumns(size, **events)
        back = None if reverse is None else Counters(*(counts(*[value] * size) for value in reverse))
        found = _traffic(columns, Counters(counts(*[octets] * size), counts(*[packets] * size)), back)
        return None if found is None else found.tolist()

    events = np.array([0, 1, 2, 3, 4, 5], np.uint8)
    empty = [True, False, True, False, False, True]
    assert kept(0, 0, None) is None
    assert kept(0, 0, None, FIREWALL_EVENT=events) == empty
    assert kept(0, 0, (0, 0), FIREWALL_EVENT=events) == empty
    for told in ((1, 0, None), (0, 1, None), (0, 0, (1, 0)), (0, 0, (0, 1)), (1, 1, (0, 0))):
        assert kept(*told, FIREWALL_EVENT=events) == [True] * 6
    nat = np.array([0, 1, 2, 0, 0, 9], np.uint8)
    assert kept(5, 5, None, NAT_EVENT=nat) == [True, False, False, True, True, False]
    assert kept(0, 0, None, NAT_EVENT=nat, FIREWALL_EVENT=events) == [True, *[False] * 5]


def test_octets_of_frames_count_where_either_end_has_an_address() -> None:
    def end(*known: bool, address: bool = True) -> Any:
        return SimpleNamespace(
            address=object() if address else None, known=np.array(known) if known else None
        )

    frames = counts(60, 70, 80)
    nowhere = end(address=False)
    assert _of_ip(frames, nowhere, nowhere).tolist() == [0, 0, 0]
    assert _of_ip(frames, end(), nowhere).tolist() == [60, 70, 80]
    assert _of_ip(frames, nowhere, end()).tolist() == [60, 70, 80]
    assert _of_ip(frames, end(True, False, False), end(False, True, False)).tolist() == [60, 70, 0]
    assert _of_ip(frames, end(True, False, False), end()).tolist() == [60, 70, 80]


def test_an_interface_is_the_logical_one_if_told_and_its_number_has_32_bits() -> None:
    def interface(**told: Any) -> tuple[list[int], list[bool] | None] | None:
        columns: Any = FakeColumns(1, **told)
        found = _interface(columns, ie.INGRESS_INTERFACE, ie.INGRESS_PHYSICAL_INTERFACE)
        return found and (found.values.tolist(), None if found.known is None else found.known.tolist())

    logical, physical = np.array([7], np.uint32), np.array([9], np.uint16)
    assert interface(INGRESS_INTERFACE=logical, INGRESS_PHYSICAL_INTERFACE=physical) == ([7], None)
    assert interface(INGRESS_PHYSICAL_INTERFACE=physical) == ([9], None)
    assert interface() is None
    wide = counts(2**32 - 1, 2**32)
    assert interface(INGRESS_INTERFACE=wide) == ([2**32 - 1, 2**32], [True, False])


def test_columns_that_are_not_there_are_left_out() -> None:
    column = Column(np.array([1]))
    assert _present({"start": None, "end": column}) == {"end": column}


def test_a_record_of_netflow5_has_its_fields_in_48_octets() -> None:
    """Common practice. Places of the fields that flows are made of, as every description of v5 has them."""
    at, places = 0, {}
    for field in NETFLOW5.fields:
        places.setdefault(field.id, (at, field.length))
        at += field.length
    assert (at, NETFLOW5.width, NETFLOW5.varying, NETFLOW5.options, NETFLOW5.id) == (48, 48, False, False, 0)
    assert {name: places[getattr(ie, name)] for name in ("SOURCE_IPV4", "DESTINATION_IPV4")} == {
        "SOURCE_IPV4": (0, 4), "DESTINATION_IPV4": (4, 4)
    }  # fmt: skip
    # srcaddr, dstaddr, nexthop, input, output, dPkts, dOctets, First, Last, srcport, dstport, pad1, tcp_flags, prot, tos,
    # src_as, dst_as, src_mask, dst_mask, pad2; the elements are those of RFC 3954 8.
    assert [(field.id, field.length) for field in NETFLOW5.fields] == [
        (8, 4), (12, 4), (15, 4), (10, 2), (14, 2), (2, 4), (1, 4), (22, 4), (21, 4), (7, 2), (11, 2), (210, 1), (6, 1),
        (4, 1), (5, 1), (16, 2), (17, 2), (9, 1), (13, 1), (210, 2),
    ]  # fmt: skip
