"""What the ends of a cell's flows are, and their sums: from the rows that name them, and from what was folded."""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from netaddr import IPSet
from numpy.typing import NDArray

from flowdiag.addresses import PRIVATE_NETWORKS
from flowdiag.rollup.cells import Cells, Columns, added_up
from flowdiag.rollup.points import INSIDE, NEVER_OUTSIDE, OUTSIDE, SORTS
from flowdiag.rollup.shape import AMOUNTS

Rows = tuple[NDArray[np.intp], Columns]  # number of each row's cell, and the rows


class Ends(Struct, frozen=True, eq=False):
    """Of each cell and end, 0 the source.

    possible: which sorts (points.py) the ends of its flows may be, shape [cells, 2, SORTS]; inside_octets: its octets of ends
    that are inside, about, shape [cells, 2]; rows: sums by amount of what rows have, lost: of what they lack, shape [cells, 2].
    """

    possible: NDArray[np.bool_]
    inside_octets: NDArray[np.float64]
    rows: dict[str, NDArray[np.float64]]
    lost: dict[str, NDArray[np.float64]]

    def total(self, amount: str) -> NDArray[np.float64]:
        """Of all flows of each cell."""
        total: NDArray[np.float64] = self.rows[amount][:, 0] + self.lost[amount][:, 0]
        return total

    def folded(self, amount: str) -> NDArray[np.float64]:
        """What no row has of either end. Shape [cells, 2]."""
        return self.lost[amount]


def ends_of_hosts(
    cells: Cells, hosts: Rows, lost: Rows, sorts: NDArray[np.int8], lan: list[str] | None
) -> Ends:
    """sorts: what each address is."""
    cell, rows = hosts
    lost_cell, gone = lost
    slot = cell * 2 + rows["end"]
    sort = sorts[rows["address"]]
    size = len(cells)
    seen = np.bincount(slot * SORTS + sort, minlength=size * 2 * SORTS).reshape(size, 2, SORTS) > 0
    there = {name: added_up(rows[name], slot, 2 * size).reshape(size, 2) for name in AMOUNTS}
    lacking = {}
    for name in AMOUNTS:
        # Each flow is in the sums of both its ends.
        whole = (there[name].sum(axis=1) + added_up(gone[name], lost_cell, size)) / 2
        lacking[name] = np.maximum(whole[:, None] - there[name], 0.0)
    inside = np.where(sort == INSIDE, rows["octets"], 0.0)
    sure = added_up(inside, slot, 2 * size).reshape(size, 2)
    return _with_folded(cells, seen, sure, there, lacking, lan)


def ends_of_conversations(
    cells: Cells, conversations: Rows, lost: Rows, sorts: NDArray[np.int8], lan: list[str] | None
) -> Ends:
    """The same of conversations, which name both ends."""
    cell, rows = conversations
    lost_cell, gone = lost
    size = len(cells)
    seen = np.zeros((size, 2, SORTS), np.bool_)
    sure = np.zeros((size, 2))
    for end, name in enumerate(("src", "dst")):
        sort = sorts[rows[name]]
        seen[:, end] = np.bincount(cell * SORTS + sort, minlength=size * SORTS).reshape(size, SORTS) > 0
        sure[:, end] = added_up(np.where(sort == INSIDE, rows["octets"], 0.0), cell, size)
    there = {name: _of_both(added_up(rows[name], cell, size)) for name in AMOUNTS}
    lacking = {name: _of_both(added_up(gone[name], lost_cell, size)) for name in AMOUNTS}
    return _with_folded(cells, seen, sure, there, lacking, lan)


def _of_both(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.repeat(values[:, None], 2, axis=1)


def _with_folded(
    cells: Cells,
    seen: NDArray[np.bool_],
    sure: NDArray[np.float64],
    there: dict[str, NDArray[np.float64]],
    lacking: dict[str, NDArray[np.float64]],
    lan: list[str] | None,
) -> Ends:
    """Of ends that were folded only their scope tells, and what others of their point are."""
    private = np.stack([cells.scope & 1, cells.scope >> 1 & 1], axis=1)
    by_scope = _sorts_of_scope(lan)[private]
    # Public networks of the site: where no row of any hour has an address of the site at that end, what was folded has none.
    shown = np.zeros((len(cells.points), 2), np.bool_)
    for end in range(2):
        shown[cells.point[seen[:, end, INSIDE]], end] = True
    by_scope[:, :, INSIDE] &= shown[cells.point] | (private == 1)
    folded = lacking["flows"] > 0
    possible = seen | (by_scope & folded[:, :, None])
    # Of those that may be inside, as much as of the others of their cell.
    likely = np.where(there["octets"] > 0, sure / np.maximum(there["octets"], 1.0), 1.0)
    likely = np.where(by_scope.sum(axis=2) == 1, 1.0, likely) * by_scope[:, :, INSIDE]
    return Ends(possible, sure + likely * lacking["octets"], there, lacking)


def _sorts_of_scope(lan: list[str] | None) -> NDArray[np.bool_]:
    """Which sorts an end can be that is of no private network, and one that is. Shape [2, SORTS]."""
    private, inside = IPSet(PRIVATE_NETWORKS), IPSet(lan or PRIVATE_NETWORKS)
    sorts = np.zeros((2, SORTS), np.bool_)
    sorts[0, [OUTSIDE, NEVER_OUTSIDE]] = True
    sorts[0, INSIDE] = not inside.issubset(private)
    sorts[1, OUTSIDE] = not private.issubset(inside)
    sorts[1, INSIDE] = bool(inside & private)
    return sorts
