"""What the processes of a collector tell the supervisor, each second: whole numbers since they started."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from msgspec import Struct, field

# Exporters told one by one; the others are in the sums.
MAX_TOLD: Final = 500


def busiest(exporters: Mapping[str, tuple[int, ...]]) -> dict[str, tuple[int, ...]]:
    """Of counts by exporter the MAX_TOLD whose first count is the highest."""
    ordered = sorted(exporters.items(), key=lambda item: (-item[1][0], item[0]))
    return dict(ordered[:MAX_TOLD])


class Received(Struct):
    """datagrams: taken, messages of streams included; not_allowed, limited: refused, for the allow list and the rate;
    kernel_drops: never seen; unspooled: seen and lost, because the disk was full; spooled: written; synced: on disk for
    good; connections_*: see connections.py; exporters: datagrams, and datagrams over the rate, by address as text; heard:
    when the last one came, seconds since 1970, by address as text; senders_forgotten: exporters that the receiver had no
    room for; full, trouble: what the disk says.
    """

    datagrams: int = 0
    not_allowed: int = 0
    limited: int = 0
    kernel_drops: int = 0
    unspooled: int = 0
    spooled: int = 0
    synced: int = 0
    octets: int = 0
    connections: int = 0
    connections_refused: int = 0
    connections_displaced: int = 0
    connections_slow: int = 0
    connections_broken: int = 0
    senders_forgotten: int = 0
    full: str = ""
    trouble: str = ""
    exporters: dict[str, tuple[int, ...]] = field(default_factory=dict)
    heard: dict[str, int] = field(default_factory=dict)


class Decoded(Struct):
    """segments, records: added to the store; known: segments that were there already; set_aside: that no attempt could
    decode; waiting_*: closed segments that are not in the store, and since when the oldest waits, by clocks.steady(), 0 if
    none does; lost_*: by the exporters' sequence numbers; undecoded: data sets that could not be decoded; damaged: places in
    segments; decoders: exporters that have one; forgotten: exporters, and evicted: templates and domains, that had to go;
    swept: files removed from the store that writers which died had left; kept: messages put aside until their template
    comes, deferred: until their exporter has its turn, given_up: of these, messages that had to go; late: records decoded
    from them; kept_*: files of them that there are; exporters: records, messages lost and records lost, by address as text;
    full, upkeep: why decoding waits, and upkeep failed.
    """

    segments: int = 0
    known: int = 0
    set_aside: int = 0
    records: int = 0
    messages: int = 0
    lost_messages: int = 0
    lost_records: int = 0
    undecoded: int = 0
    damaged: int = 0
    decoders: int = 0
    forgotten: int = 0
    evicted: int = 0
    kept: int = 0
    deferred: int = 0
    given_up: int = 0
    late: int = 0
    kept_segments: int = 0
    kept_octets: int = 0
    waiting_segments: int = 0
    waiting_octets: int = 0
    waiting_since: float = 0.0
    swept: int = 0
    merged: int = 0
    dropped_days: int = 0
    full: str = ""
    upkeep: str = ""
    exporters: dict[str, tuple[int, ...]] = field(default_factory=dict)
