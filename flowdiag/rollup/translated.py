"""Inside ends of summaries that may stand for other hosts: addresses of a router that translates (aggregator/translation.py).

Facts the design follows:
- which host is behind such an address is found by copies of the same packets that were metered on its inner side. Copies
  are records of their own that count on no link, with a host inside and the same remote end;
- where no remote end of the one is among those of the other there are no copies, and the address stays, as with flows;
- connection attempts to the router itself are a trifle of nearly every site's octets: where it cannot be told whether they
  have copies, no host lacks more than all of them.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.rollup.cells import Columns
from flowdiag.rollup.points import INSIDE, NOWHERE, OUTSIDE, UNCLEAR, Effects

# Part of what counts on links up to which it may be left open whose octets they are.
TRIFLE: Final = 0.01


class Unnamed(Struct, frozen=True, eq=False):
    """What counts on links with an inside end outside the site's networks.

    address, octets: number of the end's address and octets of each row of it. copies: whether there may be any; part: of all
    octets that count on links.
    """

    address: NDArray[np.int32]
    octets: NDArray[np.float64]
    copies: bool
    part: float

    @property
    def total(self) -> float:
        return float(self.octets.sum())


def unnamed(
    rows: Columns, effect: Effects, sorts: NDArray[np.int8], whole: NDArray[np.bool_], total: float
) -> Unnamed:
    """rows: of hosts or of conversations; effect: of each one's flows on links (points.py); whole: whether nothing was folded
    where it belongs; total: octets that count on links. What was folded of them is taken to be as the rest."""
    found = _of_hosts(rows, effect, sorts) if "end" in rows else _of_conversations(rows, effect, sorts)
    octets = rows["octets"][found.beyond]
    known = bool(whole[found.outer].all() and whole[found.inner].all())
    shown = float(rows["octets"][found.counting].sum())
    return Unnamed(
        found.address[found.beyond],
        octets * max(total / shown, 1.0) if shown else octets,
        _may_meet(found.remote[found.outer], found.remote[found.inner], whole=known),
        float(octets.sum()) / max(shown, 1.0),
    )


class _Found(Struct, frozen=True, eq=False):
    """Rows that count on links by their inside end, and of them those whose inside end is beyond the site's networks; rows that
    tell the remote ends of these, and of what counts on no link but has one end inside. address: the inside end of each
    row, remote: the other."""

    counting: NDArray[np.bool_]
    beyond: NDArray[np.bool_]
    outer: NDArray[np.bool_]
    inner: NDArray[np.bool_]
    address: NDArray[np.int32]
    remote: NDArray[np.int32]


def _of_conversations(rows: Columns, effect: Effects, sorts: NDArray[np.int8]) -> _Found:
    src, dst = sorts[rows["src"]], sorts[rows["dst"]]
    counting = (effect != NOWHERE).any(axis=1)
    beyond = counting & (src == OUTSIDE) & (dst == OUTSIDE)
    inner = ~counting & ((src == INSIDE) ^ (dst == INSIDE))
    by_src = np.where(counting, (effect.max(axis=1) & 1).astype(np.bool_), src == INSIDE)
    address, remote = (np.where(by_src == first, rows["src"], rows["dst"]) for first in (True, False))
    return _Found(counting, beyond, beyond, inner, address, remote)


def _of_hosts(rows: Columns, effect: Effects, sorts: NDArray[np.int8]) -> _Found:
    """A row is of one end; that the other ends are of some sort is told by the other rows of its cell."""
    sort, cell, best = sorts[rows["address"]], rows["cell"], effect.max(axis=1)
    counts = (best != NOWHERE) & (best != UNCLEAR)
    counting = counts & (rows["end"] == np.where(best & 1, 0, 1))
    beyond = counting & (sort == OUTSIDE)
    outer = counts & ~counting & np.isin(cell, cell[beyond]) & (sort != INSIDE)
    inner = ~counts & np.isin(cell, cell[~counts & (sort == INSIDE)]) & (sort != INSIDE)
    return _Found(counting, beyond, outer, inner, rows["address"], rows["address"])


def _may_meet(some: NDArray[np.int32], others: NDArray[np.int32], *, whole: bool) -> bool:
    """Whether any address is among both; where not all are known, whether there are any of both."""
    if not len(some) or not len(others):
        return False
    return not whole or bool(np.isin(some, others).any())
