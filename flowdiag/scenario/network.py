"""The site's links over time: which one carries the site, which are up, and how much each can carry.

Time runs in steps (one second unless a situation spans days). A real line delivers a little less than its
plan: what it can carry is drawn once a minute between DELIVERED of the plan, framing included (common
practice, no source).
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Final

import numpy as np
from msgspec import Struct
from numpy.random import Generator
from numpy.typing import NDArray

from flowdiag.scenario.site import Site

DELIVERED: Final = (0.972, 0.997)
OCTETS_PER_MBPS_MS: Final = 125.0  # 10^6 bit/s is 125 octets a millisecond


class Network(Struct, eq=False):
    """route: int8 [steps], the link that carries the site, -1 for none.

    capacity: wire octets per step, [link, direction, step], 0 while a link is down.
    keeps_on_failback: conversations that began on a backup finish there when the primary is back.
    """

    start_ms: int
    step_ms: int
    route: NDArray[np.int8]
    capacity: NDArray[np.float64]
    keeps_on_failback: bool = False

    @property
    def steps(self) -> int:
        return len(self.route)

    @property
    def end_ms(self) -> int:
        return self.start_ms + self.steps * self.step_ms

    def _slice(self, from_ms: float, to_ms: float) -> slice[int, int, None]:
        first = round((from_ms - self.start_ms) / self.step_ms)
        last = round((to_ms - self.start_ms) / self.step_ms)
        return slice(max(first, 0), max(min(last, self.steps), 0))

    def fail(self, link: int, from_ms: float, to_ms: float, backup: int = -1, gap_ms: float = 0) -> None:
        """A link is down from from_ms to to_ms; after gap_ms without any link the backup (-1: none) carries
        the site.
        """
        down = self._slice(from_ms, to_ms)
        self.capacity[link, :, down] = 0
        self.route[down] = -1
        if backup >= 0:
            self.route[self._slice(from_ms + gap_ms, to_ms)] = backup

    def ceiling(
        self, link: int, direction: int, mbps: float, from_ms: float, to_ms: float, wobble: float = 0.01
    ) -> None:
        """Less than the plan from from_ms to to_ms: trained down, shaped or policed to mbps, give or take wobble."""
        part = self._slice(from_ms, to_ms)
        limit = mbps * OCTETS_PER_MBPS_MS * self.step_ms
        minute = (np.arange(part.start, part.stop) * self.step_ms) // 60_000
        factor = 1 - wobble * ((minute * 7919) % 101) / 100
        self.capacity[link, direction, part] = np.minimum(
            self.capacity[link, direction, part], limit * factor
        )

    def cumulative(self, share: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Step edges in ms, and the integral of a per-step share up to each edge, both [steps + 1]."""
        edges = self.start_ms + np.arange(self.steps + 1, dtype=np.float64) * self.step_ms
        return edges, np.concatenate([[0.0], np.cumsum(share) * self.step_ms])

    def segments(self) -> list[tuple[float, float, int]]:
        """Times with one route: (from_ms, to_ms, link or -1), in order."""
        changes = np.flatnonzero(np.diff(self.route)) + 1
        edges = [0, *changes.tolist(), self.steps]
        return [
            (self.start_ms + a * self.step_ms, self.start_ms + b * self.step_ms, int(self.route[a]))
            for a, b in pairwise(edges)
            if b > a
        ]


def working_network(site: Site, start_ms: int, end_ms: int, rng: Generator, step_ms: int = 1000) -> Network:
    """All links up at their plan, the first link carrying the site."""
    steps = (end_ms - start_ms) // step_ms
    minutes = steps * step_ms // 60_000 + 1
    capacity: NDArray[Any] = np.empty((len(site.links), 2, steps))
    minute = (np.arange(steps) * step_ms) // 60_000
    for number, link in enumerate(site.links):
        for direction in (0, 1):
            delivered = rng.uniform(*DELIVERED, minutes)[minute]
            capacity[number, direction] = (
                link.capacity_mbps(direction) * OCTETS_PER_MBPS_MS * step_ms * delivered
            )
    return Network(start_ms, step_ms, np.zeros(steps, np.int8), capacity)
