"""What counts where, asked of summaries: by the functions that decide it for flows, once for all flows that are alike.

Facts the design follows:
- where a record counts depends on its exporter, its interfaces, where it was metered, and on what its ends are: inside, of
  no network beyond a link, or outside. So records of one point have nine cases, of which few can be;
- a summary names one end of its flows. Mostly all other ends are of one sort, or it makes no difference; where it does,
  nothing can be told from the summaries.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.aggregator.build import COLUMN_TYPES, Reduction
from flowdiag.aggregator.counting import Decisions, count_records
from flowdiag.aggregator.records import Records
from flowdiag.aggregator.top_ranking import Request
from flowdiag.site.profile import MAX_IFINDEX, Framing, Profile

# What an end is.
OUTSIDE, INSIDE, NEVER_OUTSIDE = 0, 1, 2
SORTS: Final = 3
_CASES: Final = SORTS * SORTS
# What becomes of a record: it counts nowhere, or that depends on what summaries do not tell; else twice the number of
# its link's framing, and 1 more where its source is the inside end.
NOWHERE, UNCLEAR = -1, 99
PLACES: Final = 2  # a record may count on two links
LOCAL: Final = 0  # the framing of what is on no link

Effects = NDArray[np.int8]


class Points(Struct, frozen=True, eq=False):
    """Columns of what is known of some records' way, all of one length: source as Interner numbers it, interfaces (-1 not
    known), metered as in Records."""

    source: NDArray[np.int64]
    ingress: NDArray[np.int64]
    egress: NDArray[np.int64]
    metered: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.source)

    def records(self, reduction: Reduction, octets: NDArray[np.float64] | None = None) -> Records:
        """A record of each. octets: of each."""
        count = len(self)
        blank: dict[str, Any] = {name: np.zeros(count, _TYPES[name]) for name in Records.__struct_fields__}
        blank |= {
            "source": self.source.astype(np.int16),
            "metered": self.metered.astype(np.int8),
            "ingress": np.minimum(self.ingress, MAX_IFINDEX).astype(np.int32),
            "egress": np.minimum(self.egress, MAX_IFINDEX).astype(np.int32),
            "link_in": reduction.link_of(self.ingress),
            "link_out": reduction.link_of(self.egress),
        }
        return Records(**(blank if octets is None else blank | {"octets": octets}))


_TYPES: Final[dict[str, Any]] = {name: COLUMN_TYPES.get(name, np.int32) for name in Records.__struct_fields__}


class Wanted(Struct, frozen=True):
    """What of a ranking decides what counts in it. local_too: traffic on no link."""

    link: int | None
    direction: int | None
    needs_inside: bool
    local_too: bool

    @classmethod
    def of(cls, request: Request, *, local_too: bool) -> Wanted:
        return cls(request.link, request.direction, request.kind != "applications", local_too)

    def counts(self, link: NDArray[np.int8], direction: NDArray[np.int8]) -> NDArray[np.bool_]:
        wanted = np.ones(len(link), np.bool_) if self.local_too else link >= 0
        if self.link is not None:
            wanted &= link == self.link
        if self.direction is not None:
            wanted &= direction == self.direction
        return wanted


def effects(records: Records, decisions: Decisions, profile: Profile, wanted: Wanted) -> Effects:
    """What becomes of records in each case of their ends. Shape [n, sorts of source, sorts of destination, PLACES]."""
    count = len(records)
    case = np.tile(np.arange(_CASES, dtype=np.int32), count)
    records = replace(records.at(np.repeat(np.arange(count), _CASES)), src=case // SORTS, dst=case % SORTS)
    sorts = np.arange(SORTS)
    counted = count_records(records, decisions, sorts == INSIDE, sorts == NEVER_OUTSIDE)
    rows = np.arange(len(records)) if counted.rows is None else counted.rows
    effect = 2 * framings(profile)[counted.link] + (counted.inside_is_src & wanted.needs_inside)
    if decisions.by_inside and wanted.needs_inside:  # who was called is outside there
        alike = (records.src[rows] == INSIDE) == (records.dst[rows] == INSIDE)
        effect = np.where((counted.link < 0) & alike, UNCLEAR, effect)
    effect = np.where(wanted.counts(counted.link, counted.direction), effect, NOWHERE)
    place = np.zeros(len(rows), np.intp)
    place[1:] = rows[1:] == rows[:-1]
    found = np.full((len(records), PLACES), NOWHERE, np.int8)
    found[rows, place] = effect
    return found.reshape(count, SORTS, SORTS, PLACES)


def framings(profile: Profile) -> NDArray[np.int8]:
    """The number in FRAMINGS of each link's framing; the last is of what is on none. Shape [links + 1]."""
    return np.array([*(FRAMINGS.index(link.framing) for link in profile.link), LOCAL], np.int8)


FRAMINGS: Final[tuple[Framing, ...]] = ("ip", "ethernet", "wire", "pppoe")


def settled(found: Effects, possible: NDArray[np.bool_]) -> Effects:
    """What becomes of the records of each row, UNCLEAR where its cases differ.

    found: of effects(), shape [n, ...]; possible: which sorts each end can be, shape [n, 2, SORTS]. Shape [n, PLACES].
    """
    cases = (possible[:, 0, :, None] & possible[:, 1, None, :])[..., None]
    most, least = np.int8(np.iinfo(np.int8).max), np.int8(np.iinfo(np.int8).min)
    highest = np.where(cases, found, least).max(axis=(1, 2))
    lowest = np.where(cases, found, most).min(axis=(1, 2))
    effect: Effects = np.where(highest == lowest, highest, UNCLEAR).astype(np.int8)
    return effect
