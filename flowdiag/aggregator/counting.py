"""Which record counts on which link, so that each packet counts once per link.

Facts the rules follow:
- a packet that arrives at the link's interface is download, one that leaves by it upload; what does neither is
  local (flowDirection, element 61, is seen from the observation point, not from the site: RFC 5102 5.11.6);
- a router that meters at ingress and at egress reports each packet twice, once with 61 = 0 where it came in and
  once with 61 = 1 where it went out. Such ingress records may not know the egress interface yet; a flooded packet
  has several egress records. So the link's own point is preferred: ingress records for download, egress records
  for upload;
- where the link's own point is not metered well (far fewer octets there than at the other point), or shows
  addresses behind translation (NAT) instead of those inside, the other point is taken;
- without interface numbers a single link's direction follows from which end is inside.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Protocol

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.choosing import either
from flowdiag.aggregator.chunks import chunks
from flowdiag.aggregator.concurrently import in_order
from flowdiag.aggregator.records import EGRESS_METERED, INGRESS_METERED, Interner, Records
from flowdiag.aggregator.site_flows import DOWN, NO_LINK, UP
from flowdiag.site.profile import Profile

# The link's own metering point is left for the other where it has less than this part of the other's octets.
FAR_FEWER: Final = 0.5
# "Mostly": part of the octets whose inside end lies in the site's networks.
MOSTLY: Final = 0.5
SMALL_INTERFACES: Final = 65_536
_DOWN, _UP, _NEITHER = np.int8(DOWN), np.int8(UP), np.int8(-1)
_KINDS: Final = 3  # metered at ingress, at egress, not said


class InterfaceLinks:
    """The link of each interface number."""

    def __init__(self, profile: Profile) -> None:
        owners = sorted(
            (index, number) for number, link in enumerate(profile.link) for index in link.interfaces
        )
        self._indexes = np.array([index for index, _ in owners], np.int64)
        self._links = np.array([number for _, number in owners], np.int8)
        # Small numbers, as nearly all are, by table; the last entry but one stands for all beyond, the last for -1.
        self._table = np.full(SMALL_INTERFACES + 2, NO_LINK, np.int8)
        small = self._indexes < SMALL_INTERFACES
        self._table[self._indexes[small]] = self._links[small]
        self._all_small = bool(small.all())

    def of(self, interfaces: NDArray[np.int64]) -> NDArray[np.int8]:
        """The link of each ifIndex, NO_LINK for the others (and for -1). Shape [n]."""
        links = self._table.take(np.minimum(interfaces, SMALL_INTERFACES))
        if not self._all_small:
            large = np.flatnonzero(interfaces >= SMALL_INTERFACES)
            index = np.minimum(np.searchsorted(self._indexes, interfaces[large]), len(self._indexes) - 1)
            found = self._indexes[index] == interfaces[large]
            links[large[found]] = self._links[index[found]]
        return links


class Tally:
    """What the decisions rest on, added up over the batches of an export.

    records, octets, inside_octets: float64 [source, link, direction, metered]; kinds: all records, [source, metered];
    egress_known: [source], of the records metered at ingress.
    """

    def __init__(self, links: int) -> None:
        self.links = links
        shape = (0, links, 2, _KINDS)
        self.records, self.octets, self.inside_octets = (np.zeros(shape) for _ in range(3))
        self.kinds = np.zeros((0, _KINDS))
        self.egress_known = np.zeros(0)
        # Which small interface numbers were seen; the last entry but one stands for all beyond, the last for none.
        self._seen = np.zeros(SMALL_INTERFACES + 2, np.bool_)

    @property
    def numbered(self) -> bool:
        """Whether any record has an interface number above 0."""
        return bool(self._seen[1:-1].any())

    @property
    def interfaces(self) -> list[int]:
        """The interface numbers seen, below SMALL_INTERFACES, ascending."""
        found: list[int] = np.flatnonzero(self._seen[1:SMALL_INTERFACES]).tolist()
        return [number + 1 for number in found]

    def add(self, records: Records, interner: Interner) -> None:
        self.grow(len(interner.sources))
        source = records.source.astype(np.int64)
        kind = source * _KINDS + records.metered
        self.kinds += np.bincount(kind, minlength=self.kinds.size).reshape(self.kinds.shape)
        known = (records.metered == INGRESS_METERED) & (records.egress >= 0)
        self.egress_known += np.bincount(source[known], minlength=len(self.egress_known))
        for column in (records.ingress, records.egress):
            self.see(column)
        inside = interner.inside_by_number
        base = source * (self.links * 2 * _KINDS) + records.metered
        for direction, link, end in (
            (DOWN, records.link_in, records.dst),
            (UP, records.link_out, records.src),
        ):
            rows = np.flatnonzero(link >= 0)
            cell = base[rows] + (link[rows] * np.intp(2 * _KINDS) + direction * _KINDS)
            # Apart by whether the end that the direction makes the inside one is.
            cell = 2 * cell + inside.take(end[rows])
            shape = (*self.records.shape, 2)
            records_of = np.bincount(cell, minlength=2 * self.records.size).reshape(shape)
            octets_of = np.bincount(cell, records.octets[rows], 2 * self.records.size).reshape(shape)
            self.records += records_of.sum(axis=-1)
            self.octets += octets_of.sum(axis=-1)
            self.inside_octets += octets_of[..., 1]

    def add_sums(
        self, points: Records, flows: NDArray[np.float64], inside_octets: tuple[NDArray[np.float64], ...]
    ) -> None:
        """Takes sums over records in their place: one row for all that are alike but for their ends.

        flows: how many records each row stands for; inside_octets: of its octets, those that an inside source sent, and
        those that were for an inside destination.
        """
        self.grow(int(points.source.max(initial=-1)) + 1)
        kind = (points.source, points.metered)
        np.add.at(self.kinds, kind, flows)
        known = (points.metered == INGRESS_METERED) & (points.egress >= 0)
        np.add.at(self.egress_known, points.source[known], flows[known])
        for column in (points.ingress, points.egress):
            self.see(column)
        sent, received = inside_octets
        for direction, link, inside in ((DOWN, points.link_in, received), (UP, points.link_out, sent)):
            rows = np.flatnonzero(link >= 0)
            cell = (points.source[rows], link[rows], np.intp(direction), points.metered[rows])
            np.add.at(self.records, cell, flows[rows])
            np.add.at(self.octets, cell, points.octets[rows])
            np.add.at(self.inside_octets, cell, inside[rows])

    def see(self, interfaces: NDArray[Any]) -> None:
        """Interface numbers that records have; -1 for none."""
        self._seen[np.minimum(interfaces, SMALL_INTERFACES).astype(np.intp)] = True

    def grow(self, sources: int) -> None:
        """Makes room for so many."""
        missing = sources - len(self.kinds)
        if missing > 0:
            for name in ("records", "octets", "inside_octets", "kinds", "egress_known"):
                array = getattr(self, name)
                setattr(self, name, np.concatenate([array, np.zeros((missing, *array.shape[1:]))]))


class Decisions(Struct, frozen=True, eq=False):
    """What counts. by_inside: no interface numbers, direction by the site's networks.

    counts: bool [source, link, direction, metered]; counts_locally: bool [source, metered, egress known];
    links_apart: False where several links cannot be told apart; dropped, second_source: records that repeat others
    at another metering point, or from another exporter or observation domain.
    """

    by_inside: bool
    links_apart: bool
    counts: NDArray[np.bool_]
    counts_locally: NDArray[np.bool_]
    dropped: int
    second_source: int = 0


class Sources(Protocol):
    """Numbers exporters and domains."""

    @property
    def sources(self) -> Sequence[tuple[bytes, int]]: ...


def decide(tally: Tally, interner: Sources, profile: Profile) -> Decisions:
    """Which records count on each link, from what was seen in the whole export."""
    numbered = tally.numbered and any(link.interfaces for link in profile.link)
    counts = np.ones(tally.octets.shape, np.bool_)
    locally = np.ones((len(interner.sources), _KINDS, 2), np.bool_)
    exporters = sorted({exporter for exporter, _ in interner.sources})
    for exporter in exporters:
        of_exporter = [number for number, (owner, _) in enumerate(interner.sources) if owner == exporter]
        _decide_metering(tally, of_exporter, counts)
        kinds = tally.kinds[of_exporter].sum(axis=0)
        if kinds[INGRESS_METERED] and kinds[EGRESS_METERED]:
            # Half of each pair: ingress records that do not know where the packet went, or all egress records.
            mostly_known = tally.egress_known[of_exporter].sum() > MOSTLY * kinds[INGRESS_METERED]
            locally[of_exporter, INGRESS_METERED, 0] = False
            locally[of_exporter, EGRESS_METERED, :] = not mostly_known
    return Decisions(
        by_inside=not numbered and len(profile.link) == 1,
        links_apart=numbered or len(profile.link) <= 1,
        counts=counts,
        counts_locally=locally,
        dropped=int(tally.records[~counts].sum()),
    )


def _decide_metering(tally: Tally, sources: list[int], counts: NDArray[np.bool_]) -> None:
    octets = tally.octets[sources].sum(axis=0)
    inside = tally.inside_octets[sources].sum(axis=0)
    for link in range(tally.links):
        for direction, own, other in (
            (DOWN, INGRESS_METERED, EGRESS_METERED),
            (UP, EGRESS_METERED, INGRESS_METERED),
        ):
            seen, shown = octets[link, direction], inside[link, direction]
            if not (seen[own] and seen[other]):
                continue
            fewer = seen[own] < FAR_FEWER * seen[other]
            translated = shown[own] < MOSTLY * seen[own] and shown[other] >= MOSTLY * seen[other]
            counts[sources, link, direction, own if fewer or translated else other] = False


def metered_on_arrival(tally: Tally, decisions: Decisions) -> tuple[bool, ...]:
    """Per link, whether its download is counted mostly from records that are said to be metered where it came in."""
    if decisions.by_inside or not decisions.links_apart:
        return (False,) * tally.links
    counted = np.where(decisions.counts, tally.octets, 0.0)[:, :, DOWN].sum(axis=0)
    return tuple((counted[:, INGRESS_METERED] > MOSTLY * counted.sum(axis=1)).tolist())


class Counted(Struct, frozen=True, eq=False):
    """Rows of Records with the link and direction that they count on; a row may come twice (two links).

    rows: positions, None for all in order; link, direction: int8; inside_is_src: bool. All [n].
    """

    rows: NDArray[np.intp] | None
    link: NDArray[np.int8]
    direction: NDArray[np.int8]
    inside_is_src: NDArray[np.bool_]


def count_records(
    records: Records, decisions: Decisions, inside: NDArray[np.bool_], never_outside: NDArray[np.bool_]
) -> Counted:
    """Where each record counts. inside, never_outside: bool per address number."""
    steps = chunks(len(records))
    parts = list(in_order(lambda step: _count(records.at(step), decisions, inside, never_outside), steps))
    rows = None
    if any(part.rows is not None for part in parts):
        rows = np.concatenate(
            [
                step.start + (np.arange(len(part.link)) if part.rows is None else part.rows)
                for step, part in zip(steps, parts, strict=True)
            ]
        )
    return Counted(
        rows,
        np.concatenate([part.link for part in parts]),
        np.concatenate([part.direction for part in parts]),
        np.concatenate([part.inside_is_src for part in parts]),
    )


def _count(
    records: Records, decisions: Decisions, inside: NDArray[np.bool_], never_outside: NDArray[np.bool_]
) -> Counted:
    if decisions.by_inside:
        return _by_inside(records, decisions, inside, never_outside)
    src_inside, dst_inside = inside.take(records.src), inside.take(records.dst)
    metered = records.metered
    if decisions.links_apart:
        incoming, outgoing = records.link_in, records.link_out
    else:
        incoming = outgoing = np.full(len(records), NO_LINK, np.int8)
    on_link = (incoming >= 0) | (outgoing >= 0)
    down, up = incoming >= 0, outgoing >= 0
    if not decisions.counts.all():
        down &= decisions.counts[records.source, incoming, DOWN, metered]
        up &= decisions.counts[records.source, outgoing, UP, metered]
    local = ~on_link
    if not decisions.counts_locally.all():
        local &= decisions.counts_locally[records.source, metered, (records.egress >= 0).view(np.int8)]
    once = down.astype(np.int8) + up + local
    if (once == 1).all():
        rows = None
        link = either(down, incoming, outgoing)
        direction = _direction(down, up)
    else:
        rows = np.repeat(np.arange(len(records)), once)
        second = np.zeros(len(rows), np.bool_)
        second[1:] = rows[1:] == rows[:-1]
        as_down = down[rows] & ~second
        link = either(as_down, incoming[rows], outgoing[rows])
        direction = _direction(as_down, up[rows])
        src_inside, dst_inside = src_inside[rows], dst_inside[rows]
    # An end in the site's networks is the inside one; otherwise the interface's role tells.
    by_role = direction != DOWN
    inside_is_src = either(src_inside == dst_inside, by_role, src_inside)
    return Counted(rows, link, direction, inside_is_src)


def _by_inside(
    records: Records, decisions: Decisions, inside: NDArray[np.bool_], never_outside: NDArray[np.bool_]
) -> Counted:
    """One link without interface numbers: what leaves the site's networks is upload, what enters download."""
    src, dst = records.src, records.dst
    rows = None
    if not decisions.counts_locally.all():
        known = (records.egress >= 0).view(np.int8)
        rows = np.flatnonzero(decisions.counts_locally[records.source, records.metered, known])
        src, dst = src[rows], dst[rows]
    src_inside, dst_inside = inside.take(src), inside.take(dst)
    up = src_inside & ~dst_inside & ~never_outside.take(dst)
    down = dst_inside & ~src_inside & ~never_outside.take(src)
    link = np.where(up | down, 0, NO_LINK).astype(np.int8)
    return Counted(rows, link, _direction(down, up), src_inside | ~dst_inside)


def _direction(down: NDArray[np.bool_], up: NDArray[np.bool_]) -> NDArray[np.int8]:
    """DOWN where the one is set, else UP where the other is, else -1."""
    direction = np.full(len(down), _NEITHER)
    direction = either(up, _UP, direction)
    return either(down, _DOWN, direction)
