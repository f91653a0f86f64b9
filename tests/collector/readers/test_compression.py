"""Compressed exports. RFC 1952 (gzip), RFC 8878 (zstd), RFC 5655 10.1 (bzip2).

The libraries' own compressors write.
"""

from __future__ import annotations

import bz2
import gzip
import io
import random
import tracemalloc
from collections.abc import Callable

import pytest
import zstandard

from flowdiag.collector.readers import compression
from flowdiag.collector.readers.compression import Decompressor, compression_of
from flowdiag.collector.readers.source import Source
from flowdiag.collector.report import ExportReport
from flowdiag.errors import ExportError

from .builders import frame, ipfix, payloads, problems, read
from .builders import pcap as capture

MESSAGES = [ipfix(number, random.Random(number).randbytes(200)) for number in range(50)]
PLAIN = b"".join(MESSAGES)
Compressor = Callable[[bytes], bytes]
COMPRESSORS: dict[str, Compressor] = {
    "gzip": gzip.compress,
    "bzip2": bz2.compress,
    "zstd": zstandard.ZstdCompressor().compress,
}
each_compression = pytest.mark.parametrize("kind", COMPRESSORS)


def decompress(kind: str, octets: bytes) -> tuple[bytes, ExportReport]:
    report = ExportReport()
    stream = Decompressor(kind, io.BytesIO(octets), Source("file", 0, report))
    return b"".join(iter(lambda: stream.read(1_000), b"")), report


@each_compression
def test_the_kind_is_told_by_the_first_octets(kind: str) -> None:
    assert compression_of(COMPRESSORS[kind](PLAIN)) == kind
    assert compression_of(PLAIN) is None


@each_compression
def test_every_container_may_be_compressed(kind: str) -> None:
    compress = COMPRESSORS[kind]
    assert payloads(compress(PLAIN)) == MESSAGES
    assert payloads(compress(capture([frame(message) for message in MESSAGES]))) == MESSAGES


@each_compression
def test_several_members_one_after_another_are_one_stream(kind: str) -> None:
    compress = COMPRESSORS[kind]
    parts = b"".join(compress(PLAIN[at : at + 999]) for at in range(0, len(PLAIN), 999))
    assert payloads(parts) == MESSAGES
    assert problems(parts) == []


@each_compression
@pytest.mark.parametrize("outer", COMPRESSORS)
def test_a_compressed_file_may_be_compressed_once_more_and_no_more(kind: str, outer: str) -> None:
    twice = COMPRESSORS[outer](COMPRESSORS[kind](PLAIN))
    assert payloads(twice) == MESSAGES
    with pytest.raises(ExportError, match="compressed more than 2 times"):
        read(COMPRESSORS[kind](twice))


@each_compression
def test_a_truncated_stream_is_used_as_far_as_it_goes(kind: str) -> None:
    # Several members: bzip2 gives nothing of a block that is cut.
    half = len(PLAIN) // 2
    octets = COMPRESSORS[kind](PLAIN[:half]) + COMPRESSORS[kind](PLAIN[half:])[:-9]
    decoded = payloads(octets)
    assert decoded == MESSAGES[: len(decoded)]
    assert len(decoded) >= 24
    assert any(what == compression.TRUNCATED.format(kind=kind) for _, what, _ in problems(octets))


@each_compression
def test_a_damaged_stream_is_used_up_to_the_damage(kind: str) -> None:
    half = len(PLAIN) // 2
    second = bytearray(COMPRESSORS[kind](PLAIN[half:]))
    second[len(second) // 2 : len(second) // 2 + 20] = bytes(20)
    octets = COMPRESSORS[kind](PLAIN[:half]) + bytes(second)
    decoded = payloads(octets)
    assert decoded[:24] == MESSAGES[:24]
    wordings = {compression.DAMAGED.format(kind=kind), compression.TRUNCATED.format(kind=kind)}
    assert wordings & {what for _, what, _ in problems(octets)} or kind == "zstd"


@each_compression
def test_nothing_to_decompress_is_one_clear_error(kind: str) -> None:
    with pytest.raises(ExportError, match=f"nothing could be decompressed from its {kind} data"):
        read(COMPRESSORS[kind](PLAIN)[:12])


def test_zeros_after_a_member_are_padding_and_other_octets_are_noted() -> None:
    assert problems(gzip.compress(PLAIN) + bytes(100)) == []
    assert payloads(gzip.compress(PLAIN) + b"more") == MESSAGES
    assert problems(gzip.compress(PLAIN) + b"more") == [
        (len(PLAIN), compression.TRAILING.format(kind="gzip"), 1)
    ]


def test_skippable_zstd_frames_are_skipped() -> None:
    # RFC 8878 3.1.2: magic 0x184D2A50 to 5F, length, content.
    skippable = b"\x53\x2a\x4d\x18\x04\x00\x00\x00note"
    assert payloads(skippable + COMPRESSORS["zstd"](PLAIN) + skippable) == MESSAGES


def test_a_zstd_window_beyond_the_bound_is_refused() -> None:
    parameters = zstandard.ZstdCompressionParameters(window_log=28)
    compressor = zstandard.ZstdCompressor(compression_params=parameters).compressobj()
    octets = compressor.compress(PLAIN) + compressor.flush()
    with pytest.raises(ExportError, match="nothing could be decompressed"):
        read(octets)


@each_compression
def test_a_bomb_is_used_up_to_the_bound_in_little_memory(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compression, "FREE_OCTETS", 1 << 20)
    monkeypatch.setattr(compression, "MAX_RATIO", 10)
    bomb = COMPRESSORS[kind](PLAIN + bytes(64 << 20))
    tracemalloc.start()
    octets, report = decompress(kind, bomb)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert octets.startswith(PLAIN)
    # At most one piece of output beyond the greater of 1 MiB and ten times the compressed size.
    assert (1 << 20) < len(octets) <= max(1 << 20, 10 * len(bomb)) + 1_000
    assert [p.what for p in report.problems] == [compression.BOMB.format(kind=kind)]
    assert peak < 40 << 20


@each_compression
def test_more_members_than_any_file_has_are_left_out(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    members = COMPRESSORS[kind](PLAIN) + COMPRESSORS[kind](b"") * 100 + COMPRESSORS[kind](PLAIN)
    octets, report = decompress(kind, members)
    assert (octets, report.problems) == (2 * PLAIN, [])
    monkeypatch.setattr(compression, "FREE_MEMBERS", 50)
    octets, report = decompress(kind, members)
    assert octets == PLAIN
    assert [p.what for p in report.problems] == [compression.MEMBERS.format(kind=kind)]


def test_the_absolute_bound_holds_whatever_the_ratio(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compression, "MAX_OCTETS", 5_000)
    octets, report = decompress("gzip", gzip.compress(PLAIN))
    assert 5_000 < len(octets) <= 6_000
    assert [p.what for p in report.problems] == [compression.BOMB.format(kind="gzip")]
