"""What was measured beside the switch: counters of its ports and queues each second, a ping, and what was done when.

truth.json.zst: "samples", each {"ms", "ports": {port: [IP octets in, packets in, IP octets out, packets out]}, "queues":
{"wan1 down": [packets dropped, octets waiting]}}; "pings", [ms, round trip in ms or null] from a host by the uplink in
use; "log", [ms, step] of doing.py; "rates", [ms, part of the shaped rate] of the main uplink; "programs", what traffic.py
printed. Times are ms since 1970 UTC, counters run on.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any, Final, Literal

import zstandard

from tests.lab.doing import Run, Step
from tests.lab.runs import named

Uplink = Literal["wan1", "wan2"]
Way = Literal["down", "up"]
Span = tuple[int, int]

UPLINKS: Final[tuple[Uplink, ...]] = ("wan1", "wan2")
WAYS: Final[tuple[Way, ...]] = ("down", "up")
HOST_PORTS: Final = ("studio", "office", "gate")
# A token bucket counts frames: a packet and its Ethernet header.
FRAME_HEADER: Final = 14
# The bucket is never empty of work from here on; what is missing is the second in which it began.
FULL: Final = 0.9


@dataclass(frozen=True)
class Second:
    """Between two samples: Mbit/s of frames by (uplink, way) as the kernel counted them, and the queue's drops."""

    start_ms: int
    end_ms: int
    mbps: dict[tuple[Uplink, Way], float]
    dropped: dict[tuple[Uplink, Way], int]


@dataclass(frozen=True)
class Truth:
    run: Run
    seconds: tuple[Second, ...]
    pings: tuple[tuple[int, float | None], ...]
    log: tuple[tuple[int, Step], ...]
    counted: dict[str, tuple[int, int, int, int]]
    programs: tuple[dict[str, Any], ...]
    changes: tuple[tuple[int, float], ...] = ()

    def rate(self, uplink: Uplink, way: Way, ms: int) -> float:
        """Mbit/s that the uplink gave at a moment."""
        rates = self.run.shaped if uplink == "wan1" else self.run.backup
        part = next((part for at, part in reversed(self.changes) if at <= ms), 1.0)
        return (rates.down if way == "down" else rates.up) * (part if uplink == "wan1" else 1.0)

    def when(self, step: Step) -> int:
        return next(ms for ms, done in self.log if done == step)

    def full(self, uplink: Uplink, way: Way) -> list[Span]:
        """When the uplink carried all it can, in order, spans that touch joined."""
        return joined(
            (s.start_ms, s.end_ms)
            for s in self.seconds
            if s.mbps[uplink, way] >= FULL * min(self.rate(uplink, way, ms) for ms in (s.start_ms, s.end_ms))
        )

    def full_s(self, uplink: Uplink, way: Way) -> float:
        return lasting_s(self.full(uplink, way))

    def dropped(self, uplink: Uplink, way: Way) -> int:
        return sum(second.dropped[uplink, way] for second in self.seconds)

    def highest_mbps(self, uplink: Uplink, way: Way, over_s: int) -> float:
        """The highest mean rate over so many seconds, over all of a shorter run."""
        rates = [second.mbps[uplink, way] for second in self.seconds]
        over_s = min(over_s, len(rates))
        return max(sum(rates[i : i + over_s]) / over_s for i in range(len(rates) - over_s + 1))

    def round_trip_ms(self, spans: Sequence[Span]) -> float:
        """The median of the pings that were answered, of those sent within the spans. Raises where there is none."""
        return median(
            trip for ms, trip in self.pings if trip is not None and any(a <= ms < b for a, b in spans)
        )

    def unanswered(self) -> list[Span]:
        """From the first ping without an answer to the next that had one."""
        spans: list[Span] = []
        began = None
        for ms, trip in self.pings:
            if trip is None and began is None:
                began = ms
            elif trip is not None and began is not None:
                spans.append((began, ms))
                began = None
        return spans if began is None else [*spans, (began, self.pings[-1][0])]

    def span(self) -> Span:
        return self.seconds[0].start_ms, self.seconds[-1].end_ms

    def octets(self, port: str, way: Literal["in", "out"]) -> tuple[int, int]:
        """IP octets and packets that the kernel counted at a port of the switch."""
        first = 0 if way == "in" else 2
        return self.counted[port][first], self.counted[port][first + 1]

    def offered(self) -> int:
        """IP octets that the hosts and the gate handed to the switch: all that was offered to the uplinks."""
        return sum(self.octets(port, "in")[0] for port in HOST_PORTS)


def read_truth(file: Path) -> Truth:
    kept = json.loads(zstandard.ZstdDecompressor().decompress(file.read_bytes()))
    samples = kept["samples"]
    first, last = samples[0]["ports"], samples[-1]["ports"]
    counted = {port: _less(last[port], first[port]) for port in last}
    return Truth(
        named(kept["run"]),
        tuple(_second(a, b) for a, b in zip(samples, samples[1:], strict=False)),
        tuple((ms, trip) for ms, trip in kept["pings"]),
        tuple((ms, step) for ms, step in kept["log"]),
        counted,
        tuple(kept["programs"]),
        tuple((ms, part) for ms, part in kept.get("rates", ())),
    )


def _second(before: dict[str, Any], after: dict[str, Any]) -> Second:
    lasting_ms = after["ms"] - before["ms"]
    mbps: dict[tuple[Uplink, Way], float] = {}
    dropped: dict[tuple[Uplink, Way], int] = {}
    for uplink in UPLINKS:
        counts = _less(after["ports"][uplink], before["ports"][uplink])
        for way, octets, packets in (("down", *counts[:2]), ("up", *counts[2:])):
            mbps[uplink, way] = (octets + FRAME_HEADER * packets) * 8 / 1000 / lasting_ms  # type: ignore[index]
            queues = (moment["queues"][f"{uplink} {way}"][0] for moment in (after, before))
            dropped[uplink, way] = next(queues) - next(queues)  # type: ignore[index]
    return Second(before["ms"], after["ms"], mbps, dropped)


def _less(after: Sequence[int], before: Sequence[int]) -> tuple[int, int, int, int]:
    octets_in, in_, octets_out, out = (a - b for a, b in zip(after, before, strict=True))
    return octets_in, in_, octets_out, out


def joined(spans: Iterator[Span]) -> list[Span]:
    """Spans in order, those that touch made one."""
    found: list[Span] = []
    for start, end in spans:
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], end)
        else:
            found.append((start, end))
    return found


def lasting_s(spans: Sequence[Span]) -> float:
    return sum(end - start for start, end in spans) / 1000
