"""When nothing came in over any link, and who tried to get out in vain meanwhile; shared by outage's long and short ones.

On a grid of ten seconds a bin is carried when a record of any link that came from outside touches it (keepalive replies do
not count as the site's traffic; in a one-way export uploads stand in).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.conversations import sees_downloads
from flowdiag.diagnoser.signals.keepalives import keepalive_rows
from flowdiag.diagnoser.signals.shares import lies_in
from flowdiag.diagnoser.signals.timeline import Grid, touching

STEP_MS: Final = 10_000
# An attempt this near to a dead time may belong to it.
EDGE_MS: Final = 60_000
# Multicast, broadcast, "this host" and link-local addresses (RFC 6890, RFC 4291): never a try to reach the
# Internet.
GROUPS: Final = (
    "224.0.0.0/4",
    "255.255.255.255/32",
    "0.0.0.0/8",
    "169.254.0.0/16",
    "ff00::/8",
    "fe80::/10",
    "::/128",
)


class Outage(Struct, frozen=True):
    """proof: what shows that the site was at work. short: too brief for a verdict of its own."""

    start_ms: int
    end_ms: int
    attempts: int
    hosts: int
    proof: str  # "attempts", "interrupted", "hours" or "abrupt"
    ongoing: bool
    short: bool = False


class Scene(Struct, frozen=True, eq=False):
    """carried: bool per bin of the grid, something came in. met: bool per bin, a record of that begins or ends there. came: bool
    per flow, it is traffic of the site that did."""

    grid: Grid
    carried: NDArray[np.bool_]
    met: NDArray[np.bool_]
    came: NDArray[np.bool_]


def nothing_to_see(case: Case) -> bool:
    """Whether the export cannot tell whether any link carried something."""
    nothing = not case.profile.link or len(case.flows) == 0 or case.coverage.last_ms is None
    return nothing or not case.coverage.links_apart


@once_per_case
def scene(case: Case) -> Scene:
    flows, usage = case.flows, case.usage
    came = flows.link >= 0
    came[keepalive_rows(case)] = False
    if sees_downloads(flows):
        came &= flows.direction == DOWN
    grid = Grid(usage.start_ms, STEP_MS, usage.windows * usage.window_ms // STEP_MS)
    begun, ended = grid.begun_and_ended(flows.start_ms, flows.end_ms, came)
    return Scene(grid, touching(begun, ended) > 0, (begun + ended) > 0, came)


def silence_edges(case: Case, first: int, stop: int) -> tuple[int, int]:
    """[start, end) in ms of bins in which nothing came, from the last record before that ended to the first one after.

    Where there is none on a side, the bins' own edge.
    """
    view, flows = scene(case), case.flows
    low, high = view.grid.time_of(first), view.grid.time_of(stop)
    before = flows.end_ms[view.came & (flows.end_ms >= low - STEP_MS) & (flows.end_ms < low)]
    after = flows.start_ms[view.came & (flows.start_ms >= high) & (flows.start_ms < high + STEP_MS)]
    return (
        int(before.max()) if first and len(before) else low,
        int(after.min()) if len(after) else high,
    )


def attempts_in(case: Case, dead: Sequence[tuple[int, int]], margin_ms: int = EDGE_MS) -> NDArray[np.intp]:
    """Rows by which an inside host tried to reach an outside address in a dead time and could not, by their start.

    They left by no link, or by a link while nothing came back over any. A destination that is tried in vain at
    other times too (no route to it, or a one-way report) is no proof of anything.
    """
    flows, grid = case.flows, scene(case).grid
    # Egress 0 means no way out only where the exporter numbers its interfaces at all.
    tried = (flows.link < 0) & (flows.egress == 0) & (flows.ingress > 0)
    tried |= (flows.link >= 0) & (flows.direction == UP)
    tried[keepalive_rows(case)] = False
    rows = np.flatnonzero(tried)
    rows = rows[np.argsort(flows.start_ms[rows], kind="stable")]
    inside, near = np.zeros(grid.bins, np.bool_), np.zeros(grid.bins, np.bool_)
    margin = margin_ms // STEP_MS
    for start, end in dead:
        first, last = grid.bin_of(np.array([start, end]))
        inside[first : last + 1] = True
        near[max(first - margin, 0) : last + margin + 1] = True
    bins = grid.bin_of(flows.start_ms[rows])
    size = len(flows.addresses)
    elsewhere = np.bincount(flows.outside[rows[~near[bins]]], minlength=size) > 0
    answers = np.zeros(size, np.bool_)
    answers[flows.outside[flows.direction == DOWN]] = True
    rows = rows[inside[bins]]
    rows = rows[~(elsewhere & ~answers)[flows.outside[rows]]]
    return rows[_leads_out(case, rows)]


def _leads_out(case: Case, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Whether each row runs from the LAN (where the profile names one) to a single outside address."""
    flows, lan = case.flows, case.profile.site.lan
    meant = np.zeros(len(flows.addresses), dtype=np.bool_)
    ours = np.zeros(len(flows.addresses), dtype=np.bool_)
    for index in np.unique(flows.outside[rows]):
        meant[index] = not lies_in(flows.addresses[int(index)], (*GROUPS, *lan))
    for index in np.unique(flows.inside[rows]):
        ours[index] = not lan or lies_in(flows.addresses[int(index)], lan)
    leads: NDArray[np.bool_] = meant[flows.outside[rows]] & ours[flows.inside[rows]]
    return leads


def within(case: Case, attempts: NDArray[np.intp], start: int, end: int) -> NDArray[np.intp]:
    """Those of the attempts (in order of their start) that began in [start, end)."""
    first, stop = np.searchsorted(case.flows.start_ms[attempts], [start, end])
    return attempts[first:stop]
