"""The truth of a situation, read off what the links carried, before any router metered it."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.durations import MINUTE_MS
from flowdiag.scenario.carry import Carried
from flowdiag.scenario.network import OCTETS_PER_MBPS_MS

SUSTAINED_MINUTES: Final = 3  # in a row over a threshold, gaps of one bridged, make an episode


class Episode(Struct, frozen=True):
    """Minutes over a threshold on one link and direction: [start_ms, end_ms), whole minutes."""

    link: int
    direction: int
    start_ms: int
    end_ms: int


class Truth:
    """True rates per minute, episodes, and who sent what. Minutes stand on whole minutes since 1970 UTC."""

    def __init__(self, carried: Carried) -> None:
        self.carried = carried
        network = carried.network
        self.start_ms = network.start_ms // MINUTE_MS * MINUTE_MS
        step_start = network.start_ms + np.arange(network.steps) * network.step_ms
        minute = (step_start - self.start_ms) // MINUTE_MS
        self.minutes = int(minute[-1]) + 1 if network.steps else 0
        self.wire = np.zeros((*carried.wire.shape[:2], self.minutes))
        for link in range(self.wire.shape[0]):
            for direction in (0, 1):
                self.wire[link, direction] = np.bincount(minute, carried.wire[link, direction], self.minutes)

    def mbps(self, link: int, direction: int) -> NDArray[np.float64]:
        """Wire rate per minute, shape [minutes]."""
        rate: NDArray[np.float64] = self.wire[link, direction] / (OCTETS_PER_MBPS_MS * MINUTE_MS)
        return rate

    def episodes(self, link: int, direction: int, threshold: float) -> list[Episode]:
        """Sustained times at or over a share of the plan."""
        over = self.mbps(link, direction) >= threshold * self.carried.site.links[link].capacity_mbps(
            direction
        )
        return [
            Episode(link, direction, self.start_ms + a * MINUTE_MS, self.start_ms + b * MINUTE_MS)
            for a, b in sustained_runs(over)
        ]

    def host_octets(
        self, from_ms: float, to_ms: float, link: int, directions: tuple[int, ...]
    ) -> dict[int, float]:
        """IP octets by inside address (its number in the address table) on one link within [from_ms, to_ms)."""
        return self._octets("inside", from_ms, to_ms, (link,), directions)

    def host_shares(self, from_ms: float, to_ms: float) -> dict[int, float]:
        """Share of all octets on all links, both directions, by inside address, within [from_ms, to_ms)."""
        links = tuple(range(len(self.carried.site.links)))
        return shares(self._octets("inside", from_ms, to_ms, links, (0, 1)))

    def _octets(
        self, end: str, from_ms: float, to_ms: float, links: tuple[int, ...], directions: tuple[int, ...]
    ) -> dict[int, float]:
        talk, pieces = self.carried.conversations, self.carried.pieces
        total = np.zeros(len(self.carried.addresses))
        begin, finish = np.full(len(pieces), float(from_ms)), np.full(len(pieces), float(to_ms))
        chunks = self.carried.chunks
        length = np.maximum(chunks["end"] - chunks["start"], 1)
        inside = np.clip(
            np.minimum(chunks["start"] + length, to_ms) - np.maximum(chunks["start"], from_ms), 0, None
        )
        for direction in directions:
            octets = self.carried.steady_octets(pieces, direction, begin, finish)
            on_links = np.isin(pieces["link"], links)
            total += np.bincount(talk[end][pieces["conversation"][on_links]], octets[on_links], len(total))
            moved = chunks["up_octets" if direction else "down_octets"] * (inside / length)
            on_links = np.isin(chunks["link"], links)
            total += np.bincount(talk[end][chunks["conversation"][on_links]], moved[on_links], len(total))
        return {int(number): float(total[number]) for number in np.flatnonzero(total > 0)}

    def address_text(self, number: int) -> str:
        import ipaddress

        packed = self.carried.addresses[number].tobytes()
        if packed[:12] == bytes(10) + b"\xff\xff":
            return str(ipaddress.IPv4Address(packed[12:]))
        return str(ipaddress.IPv6Address(packed))


def shares(octets: dict[int, float]) -> dict[int, float]:
    """Each part of the sum, largest first."""
    total = sum(octets.values())
    ranked = sorted(octets.items(), key=lambda item: (-item[1], item[0]))
    return {number: value / total for number, value in ranked} if total else {}


def sustained_runs(over: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs [a, b) of at least SUSTAINED_MINUTES over, where one minute under between two over ones is
    bridged.

    A bridged run must still hold SUSTAINED_MINUTES in a row somewhere.
    """
    runs: list[list[int]] = []
    for minute in np.flatnonzero(over).tolist():
        if runs and minute - runs[-1][1] <= 1:
            runs[-1][1] = minute + 1
        else:
            runs.append([minute, minute + 1])
    return [(a, b) for a, b in runs if _longest_true(over[a:b]) >= SUSTAINED_MINUTES]


def _longest_true(flags: NDArray[Any]) -> int:
    padded = np.concatenate([[0], flags.astype(np.int8), [0]])
    edges = np.flatnonzero(np.diff(padded))
    return int((edges[1::2] - edges[::2]).max()) if len(edges) else 0
