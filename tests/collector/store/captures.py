"""Captures for the tests of ingest: a router's export that was rotated into several files, one whole and some damaged."""

from __future__ import annotations

from pathlib import Path

from flowdiag.scenario.bulk import write_bulk

_FILE_HEADER = 24
_PACKET_HEADER = 16


def rotated(folder: Path, records: int, parts: int, seed: int = 1) -> list[Path]:
    """A NetFlow v9 capture in parts, as a capture program rotates it: only the first holds the template."""
    folder.mkdir(exist_ok=True)
    whole = write_bulk(folder / "whole", records, "netflow9", seed)
    octets = whole.read_bytes()
    whole.unlink()
    packets = []
    place = _FILE_HEADER
    while place < len(octets):
        past = place + _PACKET_HEADER + int.from_bytes(octets[place + 8 : place + 12], "little")
        packets.append(octets[place:past])
        place = past
    each = -(-len(packets) // parts)
    paths = []
    for number in range(parts):
        path = folder / f"{number}.pcap"
        path.write_bytes(octets[:_FILE_HEADER] + b"".join(packets[number * each : (number + 1) * each]))
        paths.append(path)
    return paths


def exports(folder: Path, count: int, records: int = 3_000) -> list[Path]:
    """IPFIX files that have nothing to do with each other."""
    folder.mkdir(exist_ok=True)
    return [write_bulk(folder / f"{seed}.ipfix", records, seed=seed) for seed in range(1, count + 1)]


def stored(store: Path) -> dict[str, bytes]:
    """The files of flows of a store, by their paths in it."""
    return {
        path.relative_to(store).as_posix(): path.read_bytes() for path in sorted(store.glob("exporter=*/*/*"))
    }
