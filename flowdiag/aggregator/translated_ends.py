"""Records seen from the end that is an inside host, or stands for one on the outer side of an address translation; and
their conversations.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import asdict
from numpy.typing import NDArray

from flowdiag.aggregator.conversation_keys import mixed
from flowdiag.aggregator.records import Records

ICMP: Final = (1, 58)
# Up to here ports are given out to services (RFC 6335 6) and prove nothing when both sides have them.
LAST_SYSTEM_PORT: Final = 1023
# A translation without traffic may end after two minutes and its port be given to another host (RFC 4787 4.3).
MAPPING_MS: Final = 120_000

Mask = NDArray[np.bool_]


class Ends(Struct, frozen=True, eq=False):
    """Records seen from the end that is, or stands for, an inside host. All [n].

    row: position in the export; out: whether that end is the source; end, remote: address numbers; port, remote_port;
    protocol; octets, packets; start_ms, end_ms on the capture's clock.
    """

    row: NDArray[np.int64]
    out: NDArray[np.bool_]
    end: NDArray[np.int32]
    port: NDArray[np.int32]
    remote: NDArray[np.int32]
    remote_port: NDArray[np.int32]
    protocol: NDArray[np.int16]
    octets: NDArray[np.float64]
    packets: NDArray[np.float64]
    start_ms: NDArray[np.int64]
    end_ms: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.row)

    @classmethod
    def of(cls, records: Records, row: NDArray[np.int64], out: Mask, shift_ms: NDArray[np.int64]) -> Ends:
        """Of some records, by whether that end is the source."""
        shift = shift_ms[records.source]
        return cls(
            row=row,
            out=out,
            end=np.where(out, records.src, records.dst),
            port=np.where(out, records.src_port, records.dst_port),
            remote=np.where(out, records.dst, records.src),
            remote_port=np.where(out, records.dst_port, records.src_port),
            protocol=records.protocol,
            octets=records.octets,
            packets=records.packets,
            start_ms=records.start_ms + shift,
            end_ms=records.end_ms + shift,
        )

    @classmethod
    def joined(cls, parts: Iterable[Ends]) -> Ends:
        """One after another; one part at least."""
        every = list(parts)
        names = cls.__struct_fields__
        return cls(**{name: np.concatenate([getattr(part, name) for part in every]) for name in names})

    def at(self, rows: NDArray[np.intp]) -> Ends:
        return Ends(**{name: column[rows] for name, column in asdict(self).items()})

    def remote_keys(self) -> NDArray[np.uint64]:
        """A hash of the remote end and the protocol."""
        return mixed(
            self.remote,
            (self.remote_port.astype(np.int64) + 1) << 16 | (self.protocol.astype(np.int64) + 1),
        )

    def packet_keys(self) -> NDArray[np.uint64]:
        """A hash of what translation leaves as it is, ICMP's type and code included."""
        kind = np.where(np.isin(self.protocol, ICMP), self.port, -1)
        return mixed(self.remote_keys().view(np.int64), self.out, kind, self.octets, self.packets)

    def conversation_keys(self) -> NDArray[np.uint64]:
        return mixed(self.remote_keys().view(np.int64), self.end, self.port)

    def telling(self) -> Mask:
        """Whether the port is one that two conversations with one remote end do not have by chance."""
        given_out = (self.port <= LAST_SYSTEM_PORT) & (self.remote_port <= LAST_SYSTEM_PORT)
        ports = (self.port > 0) & (self.remote_port > 0) & ~np.isin(self.protocol, ICMP)
        found: Mask = ports & ~given_out & (self.port != self.remote_port)
        return found


class Sessions(Struct, frozen=True, eq=False):
    """Conversations without long pauses. of_row: the session of each record; all else [sessions].

    end, port: whose; remote: a hash of the remote end and the protocol; telling: of its port; first_ms, last_ms;
    octets, packets: [2, sessions], from and to the end.
    """

    of_row: NDArray[np.int64]
    end: NDArray[np.int32]
    port: NDArray[np.int32]
    remote: NDArray[np.uint64]
    telling: Mask
    first_ms: NDArray[np.int64]
    last_ms: NDArray[np.int64]
    octets: NDArray[np.float64]
    packets: NDArray[np.float64]

    @classmethod
    def of(cls, ends: Ends) -> Sessions:
        keys = ends.conversation_keys()
        order = np.lexsort((ends.start_ms, keys))
        new = changes(keys[order])
        # The pause before a record: since the latest end so far of its conversation.
        base = np.cumsum(new) - 1
        offset = base * (int(np.ptp(np.append(ends.start_ms, ends.end_ms))) + 1) if len(ends) else base
        latest = np.maximum.accumulate(ends.end_ms[order] + offset) - offset
        new[1:] |= ends.start_ms[order][1:] - latest[:-1] > MAPPING_MS
        begins = np.flatnonzero(new)
        of_row = np.empty(len(ends), np.int64)
        of_row[order] = np.cumsum(new) - 1
        heads = ends.at(order[begins])
        octets, packets = (
            np.stack([np.bincount(of_row, values * (ends.out == way), len(begins)) for way in (1, 0)])
            for values in (ends.octets, ends.packets)
        )
        return cls(
            of_row=of_row,
            end=heads.end,
            port=heads.port,
            remote=heads.remote_keys(),
            telling=heads.telling(),
            first_ms=heads.start_ms,
            last_ms=np.maximum.reduceat(ends.end_ms[order], begins) if len(begins) else heads.end_ms,
            octets=octets.astype(np.float64),
            packets=packets.astype(np.float64),
        )

    def __len__(self) -> int:
        return len(self.end)

    def any(self, rows: Mask) -> Mask:
        """Whether any record of each session is among those marked."""
        found: Mask = np.bincount(self.of_row[rows], minlength=len(self)) > 0
        return found

    def agreed(
        self, host: NDArray[np.int32], port: NDArray[np.int32], certain: Mask
    ) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        """The one host, and the one port, of each session's certain records; -1 where there is none."""
        rows = self.of_row[certain]
        return the_one(rows, host[certain], len(self)), the_one(rows, port[certain], len(self))


def the_one(group: NDArray[np.int64], values: NDArray[np.int32], size: int) -> NDArray[np.int32]:
    """The value that all of a group have, -1 where they differ or there is none."""
    low, high = np.full(size, np.iinfo(np.int32).max, np.int32), np.full(size, -1, np.int32)
    np.minimum.at(low, group, values)
    np.maximum.at(high, group, values)
    return np.where(low == high, low, np.int32(-1)).astype(np.int32)


def changes(*columns: NDArray[np.generic]) -> Mask:
    """Where any column differs from the row before; True at the first row."""
    new = np.ones(len(columns[0]), np.bool_)
    new[1:] = False
    for column in columns:
        new[1:] |= column[1:] != column[:-1]
    return new
