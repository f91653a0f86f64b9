"""Where another file begins behind one that has ended: captures and exports one after another in one stream.

Facts the design follows:
- `cat` puts files behind each other with nothing between them, so what comes next is known by its first octets,
  where the one before it ended;
- two octets are no proof, and four are little where a packet or a set of records may stand as well: a beginning counts
  with all that its header fixes. A packet's header that reads like one would be of a packet without octets in the
  year 2055 (classic pcap), in 1975 with more octets than a packet can have (pcapng), or of 1970 to 2005 with flags that
  agree by chance (compressed data);
- where the file before was cut off, the next one is searched for, by the same octets.
"""

from __future__ import annotations

from typing import Final

from flowdiag.collector.readers.compression_magics import compression_begins

# Magic number of a classic pcap as it stands in the file -> (struct byte order, fraction units in a millisecond).
PCAP_MAGICS: Final = {
    b"\xd4\xc3\xb2\xa1": ("<", 1_000),
    b"\xa1\xb2\xc3\xd4": (">", 1_000),
    b"\x4d\x3c\xb2\xa1": ("<", 1_000_000),
    b"\xa1\xb2\x3c\x4d": (">", 1_000_000),
}
PCAPNG_MAGIC: Final = b"\x0a\x0d\x0d\x0a"
PCAPNG_BYTE_ORDERS: Final = {b"\x1a\x2b\x3c\x4d": ">", b"\x4d\x3c\x2b\x1a": "<"}
PARQUET: Final = b"PAR1"

# Octets that suffice to know every beginning.
NEEDED: Final = 16

# Version 2.4, and the two fields behind it that every writer leaves zero (draft-ietf-opsawg-pcap).
_PCAP_HEADS: Final = tuple(
    magic + (b"\x02\x00\x04\x00" if order == "<" else b"\x00\x02\x00\x04") + bytes(8)
    for magic, (order, _) in PCAP_MAGICS.items()
)
_FIRST_OCTETS: Final = (*_PCAP_HEADS, PCAPNG_MAGIC, b"\x1f\x8b\x08", b"BZh", b"\x28\xb5\x2f\xfd")
# The first two octets of each, for who reads them as one number.
FIRST_WORDS: Final = frozenset(int.from_bytes(octets[:2], "big") for octets in _FIRST_OCTETS)


def begins(data: bytes, at: int, end: int) -> bool:
    """Whether a capture, Parquet or compressed data begins at data[at], judged by data[at:end] (NEEDED octets suffice)."""
    head = data[at : min(end, at + NEEDED)]
    if head.startswith(PARQUET):
        return True
    if head.startswith(PCAPNG_MAGIC):
        return head[8:12] in PCAPNG_BYTE_ORDERS
    return head in _PCAP_HEADS or compression_begins(head) is not None


def find_beginning(data: bytes, start: int, stop: int, end: int) -> int:
    """The first index in [start, stop) where a capture or compressed data begins, judged by what data holds up to
    end; -1 if none does."""
    found = stop
    for octets in _FIRST_OCTETS:
        at = data.find(octets, start, min(end, found + len(octets) - 1))
        while at >= 0:
            if begins(data, at, end):
                found = at
                break
            at = data.find(octets, at + 1, min(end, found + len(octets) - 1))
    return -1 if found == stop else found
