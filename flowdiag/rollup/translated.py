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


def unnamed(rows: Columns, effect: Effects, sorts: NDArray[np.int8], whole: NDArray[np.bool_]) -> Unnamed:
    """effect: of each row's flows on links (points.py); whole: whether nothing was folded where the row belongs, of ends or of
    conversations. rows: of hosts or of conversations."""
    if "end" in rows:
        return _of_hosts(rows, effect, sorts, whole)
    src, dst = sorts[rows["src"]], sorts[rows["dst"]]
    counts = (effect != NOWHERE).any(axis=1)
    beyond = counts & (src == OUTSIDE) & (dst == OUTSIDE)
    by_src = (effect.max(axis=1) & 1).astype(np.bool_)
    end, remote = (np.where(by_src == first, rows["src"], rows["dst"]) for first in (True, False))
    inner = ~counts & ((src == INSIDE) ^ (dst == INSIDE))
    inner_remote = np.where(src == INSIDE, rows["dst"], rows["src"])
    octets = rows["octets"]
    return Unnamed(
        end[beyond],
        octets[beyond],
        _may_meet(
            remote[beyond], inner_remote[inner], whole=bool(whole[beyond].all() and whole[inner].all())
        ),
        float(octets[beyond].sum() / max(octets[counts].sum(), 1.0)),
    )


def _of_hosts(rows: Columns, effect: Effects, sorts: NDArray[np.int8], whole: NDArray[np.bool_]) -> Unnamed:
    sort, octets = sorts[rows["address"]], rows["octets"]
    best = effect.max(axis=1)
    counts = (best != NOWHERE) & (best != UNCLEAR)
    inside_end = counts & (rows["end"] == np.where(best & 1, 0, 1))
    beyond = inside_end & (sort == OUTSIDE)
    with_some = np.zeros(int(rows["cell"].max(initial=-1)) + 1, np.bool_)
    with_some[rows["cell"][beyond]] = True
    remote = counts & ~inside_end & with_some[rows["cell"]] & (sort != INSIDE)
    near = np.zeros(len(with_some), np.bool_)
    near[rows["cell"][~counts & (sort == INSIDE)]] = True
    inner = ~counts & near[rows["cell"]] & (sort != INSIDE)
    known = bool(whole[remote].all() and whole[inner].all())
    copies = bool(beyond.any()) and _may_meet(rows["address"][remote], rows["address"][inner], whole=known)
    part = float(octets[beyond].sum() / max(octets[inside_end].sum(), 1.0))
    return Unnamed(rows["address"][beyond], octets[beyond], copies, part)


def _may_meet(some: NDArray[np.int32], others: NDArray[np.int32], *, whole: bool) -> bool:
    """Whether any address is among both; where not all are known, whether there are any of both."""
    if not len(some) or not len(others):
        return False
    return not whole or bool(np.isin(some, others).any())
