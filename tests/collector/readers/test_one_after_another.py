"""Files one after another in one stream, as `cat` puts them: all are read, whatever kind each is."""

from __future__ import annotations

import bz2
import gzip
import io
import random
import struct
from collections.abc import Callable
from itertools import permutations

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import zstandard

from flowdiag.collector.readers import compression, messages, pcap, pcapng, window
from flowdiag.collector.readers.beginnings import begins, find_beginning
from flowdiag.collector.readers.container import Flows, open_container
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.readers.parquet import read_parquet
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.errors import ExportError

from .builders import (
    ETHERNET_HEADER,
    EXPORT_TIME,
    frame,
    ipfix,
    ipv4,
    netflow5,
    netflow9,
    payloads,
    problems,
    read,
    udp,
)
from .builders import pcap as capture
from .test_pcapng import MICRO, enhanced, interface, section


def some(first: int) -> list[bytes]:
    return [ipfix(number, random.Random(number).randbytes(80)) for number in range(first, first + 3)]


def blocks(wanted: list[bytes], order: str = "<") -> bytes:
    packets = [enhanced(frame(message), MICRO, order=order) for message in wanted]
    return b"".join([section(order), interface(order=order), *packets])


def raw_v9(first: int) -> list[bytes]:
    return [netflow9(number, random.Random(number).randbytes(40)) for number in range(first, first + 3)]


def raw_v5(first: int) -> list[bytes]:
    return [netflow5(number, 2) for number in range(first, first + 3)]


zstd = zstandard.ZstdCompressor().compress
IPFIX, V9, V5 = some(10), raw_v9(20), raw_v5(30)
# Each kind of file with the messages in it.
KINDS: dict[str, tuple[bytes, list[bytes]]] = {
    "pcap": (capture([frame(message) for message in some(0)]), some(0)),
    "pcap, other byte order": (capture([frame(message) for message in some(3)], order=">"), some(3)),
    "pcap of nanoseconds": (capture([frame(message) for message in some(4)], nanoseconds=True), some(4)),
    "pcap of raw IP": (capture([ipv4(udp(message)) for message in some(5)], link_type=101), some(5)),
    "pcapng": (blocks(some(6)), some(6)),
    "pcapng, other byte order": (blocks(some(7), ">"), some(7)),
    "IPFIX": (b"".join(IPFIX), IPFIX),
    "NetFlow v9": (b"".join(V9), V9),
    "NetFlow v5": (b"".join(V5), V5),
    # The time in its header (RFC 1952 2.3.1) could read as a message's version.
    "gzip": (gzip.compress(capture([frame(message) for message in some(40)]), mtime=0), some(40)),
    "bzip2": (bz2.compress(b"".join(some(50))), some(50)),
    "zstd": (zstd(blocks(some(60))), some(60)),
}
each_pair = pytest.mark.parametrize(("first", "second"), list(permutations(KINDS, 2)))


@each_pair
def test_two_files_of_any_kinds_are_both_read(first: str, second: str) -> None:
    octets = KINDS[first][0] + KINDS[second][0]
    assert payloads(octets) == KINDS[first][1] + KINDS[second][1]
    assert problems(octets) == []


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_kind_twice_and_more_is_read(kind: str) -> None:
    octets, wanted = KINDS[kind]
    assert payloads(octets * 3) == wanted * 3
    assert problems(octets * 3) == []


@pytest.mark.parametrize("chunk", [1, 7, 64])
def test_all_kinds_one_after_another_are_read_whatever_the_chunks(
    monkeypatch: pytest.MonkeyPatch, chunk: int
) -> None:
    monkeypatch.setattr(window, "CHUNK_OCTETS", chunk)
    monkeypatch.setattr("flowdiag.collector.readers.container.HEAD_OCTETS", 200)
    assert payloads(b"".join(octets for octets, _ in KINDS.values())) == [
        message for _, wanted in KINDS.values() for message in wanted
    ]


def test_captures_without_packets_are_passed() -> None:
    empty = capture([])
    assert payloads(empty + empty + KINDS["pcap"][0] + empty) == KINDS["pcap"][1]


def test_offsets_count_through_the_stream() -> None:
    first, second = KINDS["pcap"][0], KINDS["pcapng"][0]
    datagrams, _ = read(first + second)
    assert all((first + second)[d.offset :].startswith(d.payload) for d in datagrams)


def test_files_of_messages_apart_in_a_stream_are_sessions_of_their_own() -> None:
    datagrams, _ = read(KINDS["IPFIX"][0] + KINDS["pcap"][0] + KINDS["IPFIX"][0])
    of_files = [d.session for d in datagrams if d.session.transport == "file"]
    assert of_files[0] == of_files[2] != of_files[3] == of_files[5]


COMPRESSORS: dict[str, Callable[[bytes], bytes]] = {
    "gzip": gzip.compress,
    "bzip2": bz2.compress,
    "zstd": zstd,
}


@pytest.mark.parametrize(("first", "second"), list(permutations(COMPRESSORS, 2)))
def test_one_file_in_members_of_different_compression_is_one_file(first: str, second: str) -> None:
    octets, wanted = KINDS["pcap"]
    half = len(octets) // 2
    mixed = COMPRESSORS[first](octets[:half]) + bytes(512) + COMPRESSORS[second](octets[half:])
    assert payloads(mixed) == wanted
    assert problems(mixed) == []


def cut_in(octets: bytes, after: int) -> list[bytes]:
    """The first octets, cut at every place behind some."""
    return [octets[:kept] for kept in range(after, len(octets))]


@pytest.mark.parametrize("second", ["pcap", "pcap, other byte order", "pcapng", "gzip", "bzip2", "zstd"])
def test_a_capture_cut_off_anywhere_costs_its_last_packet_and_nothing_of_the_next_file(second: str) -> None:
    first, wanted = KINDS["pcap"]
    last_begins = len(first) - 16 - len(frame(wanted[-1]))
    for cut in cut_in(first, last_begins + 1):
        octets = cut + KINDS[second][0]
        assert payloads(octets) == wanted[:-1] + KINDS[second][1]
        assert problems(octets) == [(last_begins, pcap.ENDS_EARLY, 1)]


@pytest.mark.parametrize("second", ["pcap", "pcapng", "pcapng, other byte order", "zstd"])
def test_a_pcapng_cut_off_costs_its_last_block_and_nothing_of_the_next_file(second: str) -> None:
    first, wanted = KINDS["pcapng"]
    last_begins = len(first) - len(enhanced(frame(wanted[-1]), MICRO))
    for cut in cut_in(first, last_begins + 1):
        octets = cut + KINDS[second][0]
        assert payloads(octets) == wanted[:-1] + KINDS[second][1]
        assert problems(octets) == [(last_begins, pcapng.ENDS_EARLY, 1)]


@pytest.mark.parametrize("first", ["IPFIX", "NetFlow v9"])
@pytest.mark.parametrize("second", ["pcap", "pcapng", "gzip"])
def test_messages_cut_off_cost_the_last_one_and_nothing_of_the_next_file(first: str, second: str) -> None:
    octets, wanted = KINDS[first]
    last_begins = len(octets) - len(wanted[-1])
    for cut in cut_in(octets, last_begins + 21):
        whole = cut + KINDS[second][0]
        found = payloads(whole)
        assert found[:2] + found[-3:] == wanted[:-1] + KINDS[second][1]
        assert [what for _, what, _ in problems(whole)] == [messages.ENDS_EARLY]


@pytest.mark.parametrize("first", COMPRESSORS)
@pytest.mark.parametrize("second", COMPRESSORS)
def test_compressed_data_cut_off_is_one_problem_and_the_next_file_is_read(first: str, second: str) -> None:
    content = b"".join(some(0)) * 5
    octets = COMPRESSORS[first](content)[:-200] + KINDS[second][0]
    assert payloads(octets)[-3:] == KINDS[second][1]
    texts = [what for _, what, _ in problems(octets)]
    assert texts.count(compression.RESUMED.format(kind=first)) == 1


def test_damaged_data_that_resumes_again_and_again_comes_to_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compression, "MAX_RESUMED", 3)
    broken = gzip.compress(b"".join(some(0)), mtime=0)[:60] * 100
    texts = [what for _, what, _ in problems(gzip.compress(KINDS["pcap"][0], mtime=0) + broken)]
    assert compression.DAMAGED.format(kind="gzip") in texts


def test_a_packet_header_that_reads_like_a_magic_number_is_a_packet() -> None:
    # 1 December 2055: the seconds are 0xa1b2c3d4, in the file's byte order d4 c3 b2 a1.
    late = 0xA1B2C3D4
    frames = [frame(message) for message in some(0)]
    assert payloads(capture(frames, start=late)) == some(0)
    assert payloads(capture(frames, start=late - 1, order=">")) == some(0)
    jumping = capture(frames[:1]) + capture(frames, start=late)[24:]
    assert payloads(jumping) == some(0)[:1] + some(0)
    assert problems(jumping) == []


@pytest.mark.parametrize("start", [0x0A0D0D0A, 0x00088B1F, 0x00000A00, 0, 0x31524150 + 1])
def test_clocks_of_the_past_are_no_beginning_of_a_file(start: int) -> None:
    frames = [frame(message) for message in some(0)]
    octets = capture(frames[:1]) + capture(frames[1:], start=start)[24:]
    assert payloads(octets) == some(0)


@pytest.mark.parametrize("version", [5, 9, 10])
@pytest.mark.parametrize("linked", ["ethernet", "raw IP", "a MAC that reads like a set"])
@pytest.mark.parametrize("unit", [False, True])
def test_seconds_that_read_like_the_version_of_a_message_are_no_beginning_of_a_file(
    version: int, linked: str, unit: bool
) -> None:
    """In little-endian captures the two lower octets of the seconds come first: each version once in 65,536 seconds."""
    second = EXPORT_TIME // 65_536 * 65_536 + (version << 8)
    header = b"\x00\x03\x00\x20\x00\x01\x02\x00" + ETHERNET_HEADER[8:] if "MAC" in linked else ETHERNET_HEADER
    frames = [ipv4(udp(message)) for message in some(0)]
    if linked != "raw IP":
        frames = [header + octets for octets in frames]
    link_type = 101 if linked == "raw IP" else 1
    octets = capture(frames, link_type=link_type, start=second, nanoseconds=unit)
    assert payloads(octets) == some(0)
    assert problems(octets) == []
    # Behind packets of days before too.
    before = capture(frames[:1], link_type=link_type, start=second - 300_000, nanoseconds=unit)
    assert payloads(before + octets[24:]) == some(0)[:1] + some(0)


def test_a_capture_in_the_payload_of_a_packet_is_no_next_file() -> None:
    inner = ETHERNET_HEADER + ipv4(udp(KINDS["pcap"][0], 9, 9))
    frames = [frame(ipfix(0)), inner, frame(ipfix(1))]
    assert payloads(capture(frames)) == [ipfix(0), ipfix(1)]


def test_a_second_capture_that_cannot_be_read_is_one_clear_error() -> None:
    first = KINDS["pcap"][0]
    with pytest.raises(
        ExportError, match=rf"^file at octet {len(first) + 20}: captured on a link of type 147"
    ):
        read(first + capture([], link_type=147))


def test_a_second_file_of_text_in_a_compressed_file_is_one_clear_error() -> None:
    first = KINDS["pcap"][0]
    with pytest.raises(ExportError, match=rf"^file at octet {len(first)}: this is a text file"):
        read(first + gzip.compress(b"Dear support\n" * 9, mtime=0))


def parquet() -> bytes:
    file = io.BytesIO()
    pq.write_table(pa.table({"a": [1, 2, 3]}), file)
    return file.getvalue()


def test_parquet_behind_a_capture_is_one_clear_error() -> None:
    with pytest.raises(
        ExportError, match=r"Parquet begin here, behind another file; .*give the Parquet file by"
    ):
        read(KINDS["pcap"][0] + parquet())


def test_parquet_behind_parquet_is_one_clear_error() -> None:
    report = ExportReport()
    contents = open_container(io.BytesIO(parquet() * 2), Source("file", 0, report), Dissector())
    assert isinstance(contents, Flows)
    with pytest.raises(ExportError, match="several Parquet files one after another"):
        list(read_parquet(contents.window, contents.source, StoredFlows(report)))


def test_plain_and_compressed_files_may_take_turns_within_a_bound() -> None:
    turn = KINDS["pcap"][0] + KINDS["gzip"][0]
    assert payloads(turn * 30) == (KINDS["pcap"][1] + KINDS["gzip"][1]) * 30
    with pytest.raises(ExportError, match="take turns more than 32 times"):
        read(turn * 40)


def test_a_beginning_counts_with_all_that_its_header_fixes() -> None:
    head = capture([])
    assert begins(head, 0, len(head))
    assert not begins(head[:4] + b"\x02\x00\x05\x00" + head[8:], 0, len(head))  # another version
    assert not begins(head[:8] + b"\x01" + head[9:], 0, len(head))  # a length, were it a packet
    assert not begins(b"\x1f\x8b\x08\xff" + bytes(12), 0, 16)  # reserved flags, RFC 1952 2.3.1
    assert find_beginning(b"x" * 9 + head, 0, 10, 9 + len(head)) == 9
    assert find_beginning(b"x" * 9 + head, 0, 9, 9 + len(head)) == -1


def test_times_of_the_second_capture_are_its_own() -> None:
    second = capture([frame(ipfix(9))], nanoseconds=True, order=">", start=EXPORT_TIME + 500)
    datagrams, _ = read(KINDS["pcap"][0] + second)
    assert datagrams[-1].time_ms == (EXPORT_TIME + 500) * 1000
    assert struct.unpack(">I", second[:4])[0] == 0xA1B23C4D
