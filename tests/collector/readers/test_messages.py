"""Files of messages one after another. Rules: RFC 5655 7 and 10.3; RFC 3954 5; RFC 7011 3.1."""

from __future__ import annotations

import io
import struct
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.collector.datagram import Session
from flowdiag.collector.readers import messages, window
from flowdiag.collector.readers.source import Source
from flowdiag.collector.report import ExportReport
from flowdiag.collector.run import one_by_one

from .builders import ipfix, netflow5, netflow9, payloads, problems, read

ANY_MESSAGE = st.one_of(
    st.builds(ipfix, st.integers(0, 2**32 - 1), st.binary(max_size=60)),
    # Bodies without a version in them keep the cut of v9 by its FlowSets the only one possible.
    st.builds(netflow9, st.integers(0, 2**32 - 1), st.just(b"twelve octet"), st.integers(1, 5)),
    st.builds(netflow5, st.integers(0, 2**32 - 1), st.integers(1, 30)),
)


def test_an_ipfix_file_gives_each_message_with_its_offset() -> None:
    first, second = ipfix(0), ipfix(1, b"longer flow record")
    datagrams, report = read(first + second)
    assert [(d.payload, d.offset, d.time_ms) for d in datagrams] == [
        (first, 0, None),
        (second, len(first), None),
    ]
    assert report.problems == []


def test_a_file_is_one_session_numbered_as_the_input() -> None:
    datagrams, _ = read(ipfix(0) + ipfix(1))
    assert {d.session for d in datagrams} == {Session(bytes(16), 0, bytes(16), 0, "file", 3)}


def test_netflow9_is_cut_by_walking_its_flowsets() -> None:
    packets = [netflow9(0, sets=1), netflow9(1, sets=3), netflow9(2, b"odd length", sets=2)]
    assert payloads(b"".join(packets)) == packets


def test_netflow5_is_cut_by_its_count() -> None:
    packets = [netflow5(0, 1), netflow5(1, 30), netflow5(31, 2)]
    assert payloads(b"".join(packets)) == packets


@given(st.lists(ANY_MESSAGE, min_size=1, max_size=30))
def test_mixed_messages_come_back_whole_and_in_order(written: list[bytes]) -> None:
    assert payloads(b"".join(written)) == written


def test_messages_across_chunks_come_back_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(window, "CHUNK_OCTETS", 7)
    written = [netflow9(0, sets=2), ipfix(1), netflow5(2, 3), ipfix(3), netflow9(4)]
    assert payloads(b"".join(written)) == written


def test_a_message_of_the_greatest_length_is_read() -> None:
    # RFC 7011 10: the length field allows 65,535 octets.
    greatest = ipfix(0, bytes(65_535 - 20))
    assert payloads(greatest + ipfix(1)) == [greatest, ipfix(1)]


def test_octets_between_messages_are_passed_over_and_noted() -> None:
    octets = ipfix(0) + b"\xff" * 11 + ipfix(1) + ipfix(2)
    assert payloads(octets) == [ipfix(0), ipfix(1), ipfix(2)]
    assert problems(octets) == [(len(ipfix(0)), messages.DAMAGE, 1)]


def test_a_wrong_length_costs_only_its_own_message() -> None:
    # RFC 5655 10.3: the length must lead to another header; here it leads into the third message.
    broken = bytearray(ipfix(1))
    broken[2:4] = struct.pack(">H", len(ipfix(1)) + 9)
    octets = ipfix(0) + bytes(broken) + ipfix(2) + ipfix(3)
    assert payloads(octets) == [ipfix(0), ipfix(2), ipfix(3)]
    assert problems(octets) == [(len(ipfix(0)), messages.DAMAGE, 1)]


def test_a_length_under_the_header_costs_only_its_own_message() -> None:
    # RFC 7011 9.1: a length below 16 is nonsense.
    broken = bytearray(ipfix(1))
    broken[2:4] = b"\x00\x04"
    assert payloads(ipfix(0) + bytes(broken) + ipfix(2)) == [ipfix(0), ipfix(2)]


def test_a_damaged_first_message_does_not_cost_the_rest() -> None:
    octets = b"\xff\xff" + ipfix(0)[2:] + ipfix(1) + ipfix(2)
    assert payloads(octets) == [ipfix(1), ipfix(2)]
    assert problems(octets) == [(0, messages.DAMAGE, 1)]


@pytest.mark.parametrize("writer", [ipfix, netflow9, netflow5])
@pytest.mark.parametrize("kept", [1, 3, 10, 27])
def test_a_truncated_end_is_left_out_with_its_offset(writer: object, kept: int) -> None:
    assert callable(writer)
    octets = writer(0) + writer(1)[:kept]
    datagrams, report = read(octets)
    if writer is netflow9 and kept < 4:
        # Up to three octets after the last FlowSet are padding (common practice).
        assert [d.payload for d in datagrams] == [octets]
        return
    assert [d.payload for d in datagrams] == [writer(0)]
    assert [p.offset for p in report.problems] == [len(writer(0))]


def test_the_wording_tells_a_truncated_end_from_damage() -> None:
    assert problems(ipfix(0) + ipfix(1)[:-1])[0][1] == messages.TRUNCATED
    assert problems(ipfix(0) + b"\xff" * 40)[0][1] == messages.DAMAGED_END


def test_damage_longer_than_a_chunk_is_searched_through(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(window, "CHUNK_OCTETS", 64)
    octets = ipfix(0) + b"\xff" * 1_000 + ipfix(1) + ipfix(2)
    assert payloads(octets) == [ipfix(0), ipfix(1), ipfix(2)]


def test_a_search_in_an_ipfix_file_does_not_take_interface_numbers_for_netflow5() -> None:
    # Two octets 00 05 whose "count" leads to another 00 05: plausible as v5, but no v5 came before.
    decoy = netflow5(0, 1)[:70] + b"\x00\x05"
    octets = ipfix(0) + b"\xff" + decoy + b"\x00\x05" + b"\xff" * 30 + ipfix(1) + ipfix(2)
    assert payloads(octets) == [ipfix(0), ipfix(1), ipfix(2)]


def test_much_damage_in_one_chunk_is_passed_without_reading_ahead() -> None:
    # 4,000 damaged places in 330 kB: the window must stay one chunk long.
    octets = (ipfix(0) + ipfix(1) + b"\xff" * 18) * 4_000
    longest = 0

    class Watched(window.Window):
        def slide(self, position: int) -> bool:
            nonlocal longest
            more = super().slide(position)
            longest = max(longest, len(self.data))
            return more

    source = Source("file", 0, ExportReport())
    chunk = 10_000
    watched = Watched(Trickle(octets, chunk))
    assert sum(1 for _ in one_by_one(messages.read_messages(watched, source))) == 8_000
    assert longest <= 2 * chunk


class Trickle:
    def __init__(self, octets: bytes, most: int) -> None:
        self._file = io.BytesIO(octets)
        self._most = most

    def read(self, size: int, /) -> bytes:
        return self._file.read(min(size, self._most))


def test_a_search_through_octets_made_to_be_slow_walks_each_flowset_once() -> None:
    # Each 8 octets begin a plausible v9 header whose FlowSets are those of the one before.
    hostile = b"\x01\x00\x00\x08\x00\x09\x00\x08" * 8_000 + b"\x00\x80\xff\xff"
    started = time.process_time()
    assert payloads(netflow9(0) + b"\x00\x0a\xff\xff" + b"\xff" + hostile) == [netflow9(0)]
    # Walking anew for each of the 8,000 candidates took 2,000 steps each, about four seconds.
    assert time.process_time() - started < 1
