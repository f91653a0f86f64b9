"""What the processes of a collector send to the supervisor each second: whole numbers since they started."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from msgspec import Struct, field

# Exporters listed one by one; the others are in the sums.
MAX_LISTED: Final = 500


def busiest(exporters: Mapping[str, tuple[int, ...]]) -> dict[str, tuple[int, ...]]:
    """Of counts by exporter the MAX_TOLD whose first count is the highest."""
    ordered = sorted(exporters.items(), key=lambda item: (-item[1][0], item[0]))
    return dict(ordered[:MAX_LISTED])


class Received(Struct):
    """Counts of a receiver, in datagrams and messages of streams unless said otherwise."""

    datagrams: int = 0  # taken
    not_allowed: int = 0  # refused: their senders are not on the allow list
    limited: int = 0  # refused: over the rate of their exporter
    kernel_drops: int = 0  # dropped before they could be taken
    unspooled: int = 0  # taken and lost, because the spool could not be written
    spooled: int = 0  # written to the spool
    synced: int = 0  # of these, forced to disk
    octets: int = 0  # written to the spool
    connections: int = 0  # open now
    connections_refused: int = 0  # these four: see connections.py
    connections_displaced: int = 0
    connections_slow: int = 0
    connections_broken: int = 0
    senders_forgotten: int = 0  # exporters that the receiver had no room for
    full: str = ""  # why nothing can be written now
    trouble: str = ""  # why nothing can be forced to disk now
    exporters: dict[str, tuple[int, ...]] = field(default_factory=dict)  # by address: taken, over the rate
    heard: dict[str, int] = field(default_factory=dict)  # by address: when the last one came, s since 1970


class Decoded(Struct):
    """Counts of a decoding process."""

    segments: int = 0  # added to the store
    known: int = 0  # segments that were there already
    set_aside: int = 0  # segments that a fault of the program kept from being decoded
    records: int = 0  # flow records added to the store
    messages: int = 0  # decoded
    lost_messages: int = 0  # by the exporters' sequence numbers
    lost_records: int = 0
    undecoded: int = 0  # data sets that could not be decoded
    damaged: int = 0  # damaged places in segments
    decoders: int = 0  # exporters that have one now
    forgotten: int = 0  # exporters that had to go
    evicted: int = 0  # templates and observation domains that had to go
    kept: int = 0  # messages put aside until their template comes
    deferred: int = 0  # messages put aside until their exporter has its turn
    given_up: int = 0  # of kept and deferred messages, those that had to go
    late: int = 0  # flow records decoded from kept and deferred messages, part of records
    kept_segments: int = 0  # files of kept and deferred messages now
    kept_octets: int = 0
    waiting_segments: int = 0  # closed segments that are not in the store now
    waiting_octets: int = 0
    waiting_since: float = 0.0  # when the oldest of them began to wait, by clocks.steady(); 0 if none does
    swept: int = 0  # files removed from the store that writers which died had left
    merged: int = 0  # partitions whose files were merged
    dropped_days: int = 0  # partitions dropped because of their age
    rollups_failed: int = 0  # files of the store that ought to have a roll-up and have none
    rollups_rebuilt: int = 0  # damaged roll-ups of the store that were made anew
    full: str = ""  # why decoding waits now
    upkeep: str = ""  # why the upkeep failed
    # By address: records, messages lost, records lost.
    exporters: dict[str, tuple[int, ...]] = field(default_factory=dict)
