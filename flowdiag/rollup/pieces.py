"""Some records of a file as numpy columns, with hashes for addresses: what roll-ups are summed up from.

Fact the design follows: of most records the addresses are needed only to tell them apart. So they are hashed, and looked at
themselves where a key is kept.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pyarrow as pa
from msgspec import Struct
from msgspec.structs import asdict
from numpy.typing import NDArray

from flowdiag.address_ranges import AddressRanges
from flowdiag.addresses import PRIVATE_NETWORKS, V4_PREFIX
from flowdiag.aggregator.address_numbers import words
from flowdiag.aggregator.records import LeftOut, times, usable
from flowdiag.buffers import column, fill_null
from flowdiag.rollup.hashing import hashed
from flowdiag.rollup.kinds import Kinds

_PRIVATE: Final = AddressRanges(PRIVATE_NETWORKS)
_V4_FRONT: Final = np.frombuffer(V4_PREFIX, np.uint32)[2]
# By the first two octets of an IPv4 address, as they stand in memory.
_PRIVATE_V4: Final = np.array(
    [first == 10 or (first, second) == (192, 168) or (first == 172 and second >> 4 == 1)
     for second in range(256) for first in range(256)]
)  # fmt: skip
_LEFT: Final = frozenset({"src_words", "dst_words"})


class Piece(Struct, frozen=True, eq=False):
    """Columns of shape [n]; unknown is -1. Times in ms since 1970 UTC; octets and packets float64.

    src, dst: hashes of addresses, 0 for none; src_private, dst_private: whether of a private network; kind: of kinds.Kinds;
    end_reason: 0 unknown; src_words, dst_words: the addresses, which at() leaves where they are, shape [rows of the
    batch, 4]; place: which of those each is.
    """

    start_ms: NDArray[np.int64]
    end_ms: NDArray[np.int64]
    octets: NDArray[np.float64]
    packets: NDArray[np.float64]
    src: NDArray[np.uint64]
    dst: NDArray[np.uint64]
    src_private: NDArray[np.bool_]
    dst_private: NDArray[np.bool_]
    src_port: NDArray[np.int32]
    dst_port: NDArray[np.int32]
    protocol: NDArray[np.int16]
    tcp_flags: NDArray[np.int32]
    end_reason: NDArray[np.uint8]
    kind: NDArray[np.int32]
    place: NDArray[np.int32]
    src_words: NDArray[np.uint32]
    dst_words: NDArray[np.uint32]

    def __len__(self) -> int:
        return len(self.start_ms)

    def at(self, rows: slice | NDArray[np.intp]) -> Piece:
        columns = asdict(self)
        if isinstance(rows, slice):
            return Piece(**{n: values if n in _LEFT else values[rows] for n, values in columns.items()})
        return Piece(**{n: values if n in _LEFT else values.take(rows) for n, values in columns.items()})

    def in_order(self, begin: int, order: NDArray[np.intp]) -> Piece:
        """With the records from `begin` on in another order."""
        columns = asdict(self)
        return Piece(**{n: v if n in _LEFT else in_order(v, begin, order) for n, v in columns.items()})

    def addresses(self, end: str, rows: NDArray[np.intp]) -> NDArray[np.uint32]:
        """The addresses at an end ("src" or "dst") of some records. Shape [rows, 4]."""
        octets: NDArray[np.uint32] = getattr(self, f"{end}_words")[self.place[rows]]
        return octets


def piece_of(batch: pa.RecordBatch, kinds: Kinds, left_out: LeftOut) -> Piece:
    """The usable records of a batch of FLOW_SCHEMA; what is not used is counted in left_out."""
    kept = usable(batch, left_out)
    if not kept.all():
        batch = batch.filter(column(kept))
    start, end = times(batch)
    (src, src_words, src_private), (dst, dst_words, dst_private) = (
        _addresses(batch[name]) for name in ("src_address", "dst_address")
    )
    scope = src_private.view(np.int8) + dst_private.view(np.int8) * np.int8(2)
    return Piece(
        start_ms=start,
        end_ms=end,
        octets=fill_null(batch["octets"], 0, np.float64),
        packets=fill_null(batch["packets"], 0, np.float64),
        src=src,
        dst=dst,
        src_words=src_words,
        dst_words=dst_words,
        src_private=src_private,
        dst_private=dst_private,
        src_port=fill_null(batch["src_port"], -1, np.int32),
        dst_port=fill_null(batch["dst_port"], -1, np.int32),
        protocol=fill_null(batch["protocol"], -1, np.int16),
        tcp_flags=fill_null(batch["tcp_flags"], -1, np.int32),
        end_reason=fill_null(batch["end_reason"], 0, np.uint8),
        kind=kinds.of(batch, scope),
        place=np.arange(len(start), dtype=np.int32),
    )


def in_order(values: NDArray[Any], begin: int, order: NDArray[np.intp]) -> NDArray[Any]:
    """Values of which those from `begin` on come in another order; the rest stays."""
    end = begin + len(order)
    return np.concatenate([values[:begin], values[begin:end].take(order), values[end:]])


def _addresses(addresses: pa.Array) -> tuple[NDArray[np.uint64], NDArray[np.uint32], NDArray[np.bool_]]:
    octets = words(addresses).reshape(-1, 4)
    halves = octets.view(np.uint64)
    v4 = (halves[:, 0] == 0) & (octets[:, 2] == _V4_FRONT)
    private = _PRIVATE_V4.take(octets[:, 3] & np.uint32(0xFFFF))
    if v4.all():
        return hashed(halves[:, 1]), octets, private
    private &= v4
    others = np.flatnonzero(~v4)
    distinct, where = np.unique(np.ascontiguousarray(octets[others]).view("S16")[:, 0], return_inverse=True)
    private[others] = _PRIVATE.contains(distinct)[where]
    made = hashed(halves[:, 1])
    made[others] = hashed(halves[others, 0], halves[others, 1])
    made[others[(halves[others] == 0).all(axis=1)]] = 0
    return made, octets, private


def short(hashes: NDArray[np.uint64]) -> NDArray[np.int32]:
    """Hashes as numbers of 31 bits, for what takes addresses as numbers. Shape [n]."""
    return (hashes >> np.uint64(33)).astype(np.int32)
