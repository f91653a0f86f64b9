"""The first octets of compressed data (RFC 1952, RFC 8878; bzip2 from memory)."""

from __future__ import annotations

from typing import Final

GZIP: Final = b"\x1f\x8b\x08"
BZIP2: Final = b"BZh"
ZSTD: Final = b"\x28\xb5\x2f\xfd"
_BZIP2_BLOCKS: Final = (b"\x31\x41\x59\x26\x53\x59", b"\x17\x72\x45\x38\x50\x90")
_ZSTD_SKIPPABLE: Final = b"\x2a\x4d\x18"
# Octets that suffice to be certain.
LONGEST_MAGIC: Final = 10

# RFC 1952 2.3.1: flag bits that must be zero, the values of XFL in use, the greatest number of a system.
_GZIP_RESERVED: Final = 0xE0
_GZIP_EXTRA: Final = b"\x00\x02\x04"
_GZIP_SYSTEMS: Final = (*range(14), 255)
_ZSTD_RESERVED: Final = 0x08  # RFC 8878 3.1.1.1.1


def compression_of(head: bytes) -> str | None:
    """The name of the compression that octets start with, or None."""
    if head.startswith(GZIP):
        return "gzip"
    if head.startswith(BZIP2) and head[3:4] in b"123456789" and head[4:10] in _BZIP2_BLOCKS:
        return "bzip2"
    if head.startswith(ZSTD) or (head[1:4] == _ZSTD_SKIPPABLE and head[0] & 0xF0 == 0x50):
        return "zstd"
    return None


def compression_begins(head: bytes) -> str | None:
    """The same, strictly, for octets that may be something else: all that the header fixes must agree."""
    if len(head) < LONGEST_MAGIC:
        return None
    kind = compression_of(head)
    if kind == "gzip" and (
        head[3] & _GZIP_RESERVED or head[8] not in _GZIP_EXTRA or head[9] not in _GZIP_SYSTEMS
    ):
        return None
    if kind == "zstd" and head.startswith(ZSTD) and head[4] & _ZSTD_RESERVED:
        return None
    return kind
