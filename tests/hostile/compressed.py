"""Compressed files that grow when they are read; how much, they say in their docstrings."""

from __future__ import annotations

import bz2
import gzip
import io
import struct
import zlib
from collections.abc import Callable, Iterable

import zstandard

from tests.hostile.captures import HEADER, SECTION, block, ipv4, packet, sound, sound_ng, udp
from tests.hostile.messages import identical_records, one_flow_per_host

MIB = 1 << 20


def _scaled(octets: int, most: int) -> int:
    """So much for a file of 19 million octets, less for a smaller one."""
    return max(most * octets // 19_000_000, 1)


def gzipped(pieces: Iterable[bytes]) -> bytes:
    """One gzip member, made without holding what is in it."""
    deflater = zlib.compressobj(9, zlib.DEFLATED, 16 + zlib.MAX_WBITS)
    return b"".join([*map(deflater.compress, pieces), deflater.flush()])


def zstd(pieces: Iterable[bytes], window_log: int = 23) -> bytes:
    parameters = zstandard.ZstdCompressionParameters.from_level(
        3, window_log=window_log, enable_ldm=window_log > 27
    )
    made = io.BytesIO()
    with zstandard.ZstdCompressor(compression_params=parameters).stream_writer(made, closefd=False) as writer:
        for piece in pieces:
            writer.write(piece)
    return made.getvalue()


def bzipped(pieces: Iterable[bytes]) -> bytes:
    compressor = bz2.BZ2Compressor()
    return b"".join([*map(compressor.compress, pieces), compressor.flush()])


def zeros(octets: int) -> Iterable[bytes]:
    return (bytes(MIB) for _ in range(octets // MIB))


def gzip_zeros(octets: int) -> bytes:
    """A thousandfold of zeros, in members one after another."""
    one = gzipped(zeros(_scaled(octets, 256) * MIB))
    return one * (octets // len(one))


def bzip2_zeros(octets: int) -> bytes:
    """Two hundred gigabytes in some kilobytes."""
    return bzipped(zeros(_scaled(octets, 64) * MIB)) * 2_000


def zstd_zeros(octets: int) -> bytes:
    """Sixteen gigabytes in half a megabyte."""
    return zstd(zeros(_scaled(octets, 1024) * MIB)) * 16


def zstd_window(octets: int) -> bytes:
    """A frame whose window is two gigabytes."""
    return b"\x28\xb5\x2f\xfd\x00" + bytes((21 << 3,)) + zstd([bytes(64)])[6:]


def zstd_widest_window(octets: int) -> bytes:
    """Frames with the greatest window that is allowed, one after another."""
    return zstd([sound(), *zeros(_scaled(octets, 200) * MIB)], 27) * 20


def zstd_frames(octets: int) -> bytes:
    """Empty frames, a million of them."""
    return zstd([sound()]) + zstd([]) * (octets // 10)


def gzip_members(octets: int) -> bytes:
    """Empty members, a million of them."""
    return gzip.compress(sound(), mtime=0) + gzip.compress(b"", mtime=0) * (octets // 20)


def bzip2_members(octets: int) -> bytes:
    """Empty members, a million of them."""
    return bz2.compress(sound()) + bz2.compress(b"") * (octets // 14)


def gzip_names(octets: int) -> bytes:
    """A member whose name is as long as the file."""
    return (
        b"\x1f\x8b\x08\x08"
        + bytes(4)
        + b"\0\xff"
        + b"n" * octets
        + b"\0"
        + zlib.compress(b"")[2:-4]
        + bytes(8)
    )


def nested(octets: int) -> bytes:
    """Zeros compressed, and compressed again."""
    return gzip.compress(gzipped(zeros(_scaled(octets, 256) * MIB)) * 64, 9, mtime=0)


def nested_too_often(octets: int) -> bytes:
    """Compressed three times."""
    return bz2.compress(gzip.compress(zstd(zeros(_scaled(octets, 64) * MIB)), mtime=0))


def damaged_members(octets: int) -> bytes:
    """What looks like the beginning of a member at every tenth octet."""
    return gzip.compress(sound(), mtime=0)[:-8] + b"\x1f\x8b\x08\0\0\0\0\0\0\3" * (octets // 10)


def taking_turns(octets: int) -> bytes:
    """Plain and compressed captures in turn."""
    pair = sound() + gzip.compress(sound(), mtime=0)
    return pair * (octets // len(pair))


def behind_pcap_header(octets: int) -> bytes:
    """A sound capture header, and zeros without end."""
    return gzipped([sound(), *zeros(_scaled(octets, 256) * MIB)]) + gzip_zeros(octets)


def behind_pcapng_header(octets: int) -> bytes:
    """A sound section, and blocks of zeros as long as allowed."""
    return gzipped([sound_ng(), *([block(0x0BAD, bytes(15 * MIB))] * (octets // (15 * 1024)))])


def tiny_packets_packed(octets: int) -> bytes:
    """Packets of one octet, a hundredfold."""
    return gzipped([sound(), *([packet(b"\1") * 60_000] * (octets // 5_000))])


def equal_datagrams_packed(octets: int) -> bytes:
    """One small datagram of the capture, a hundredfold."""
    one = packet(ipv4(udp(bytes.fromhex("000a0010") + bytes(12)), 17))
    return gzipped([HEADER, *([one * 16_000] * (octets // 6_000))])


def empty_sections_packed(octets: int) -> bytes:
    """pcapng sections, a hundredfold."""
    return zstd([sound_ng(), *([SECTION * 40_000] * _scaled(octets, 1000))])


def identical_records_packed(octets: int) -> bytes:
    """One flow record, several hundredfold."""
    return gzipped(identical_records(2 * MIB) for _ in range(octets // 10_000))


def hosts_packed(octets: int) -> bytes:
    """Flow records of distinct hosts, as often as they compress."""
    return zstd([one_flow_per_host(20 * octets)])


def zstd_equal_records(octets: int) -> bytes:
    """Gigabytes of one flow record in a small file."""
    one = identical_records(16 * MIB)
    return zstd(one for _ in range(_scaled(octets, 400)))


def lying_size(octets: int) -> bytes:
    """A zstd frame that claims sixteen exabytes (RFC 8878 3.1.1.1.4)."""
    return b"\x28\xb5\x2f\xfd" + bytes((0xE0,)) + struct.pack("<Q", 2**64 - 1) + b"\1\0\0"


KINDS: tuple[Callable[[int], bytes], ...] = (
    gzip_zeros, bzip2_zeros, zstd_zeros, zstd_window, zstd_widest_window, zstd_frames, gzip_members, bzip2_members,
    gzip_names, nested, nested_too_often, damaged_members, taking_turns, behind_pcap_header, behind_pcapng_header,
    tiny_packets_packed, equal_datagrams_packed, empty_sections_packed, identical_records_packed, hosts_packed,
    zstd_equal_records, lying_size,
)  # fmt: skip
