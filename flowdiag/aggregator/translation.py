"""The host behind a translated address, wherever another copy of the packets names it.

Facts the rules follow:
- a router that translates addresses (RFC 2663) and meters behind the translation exports its own address as the
  inside end: all hosts behind it look like one. Address and port of the remote end, protocol, octets and packets are
  the same on both sides of it; the port of the inside end may be kept or changed (NAPT, RFC 2663 4.1.2);
- many exporters meter on the inside as well. That copy may count on no link, or be the one that does not count
  because each packet counts once; it names the host all the same;
- a translation holds for a conversation, both ways (RFC 4787 4.1): what one record proves, the others inherit.

What counts is not touched: only the inside address and port of counted records are replaced. Nothing is guessed: where
copies fit several hosts, ports and times decide; where they fit equally well, each host gets as many of the records, all
of one size, as it has copies; where the numbers differ, the router's address stays.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.address_ranges import AddressRanges
from flowdiag.addresses import NEVER_OUTSIDE, to_text
from flowdiag.aggregator.concurrently import in_order
from flowdiag.aggregator.counting import Decisions, Tally
from flowdiag.aggregator.records import Interner, Records
from flowdiag.aggregator.remark import Remark, remark
from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.aggregator.translated_copies import NO_HOST
from flowdiag.aggregator.translated_ends import Ends
from flowdiag.aggregator.translated_hosts import Named, named

# Neither of a site nor beyond it; the first is what stands for an address that was not exported.
NO_ADDRESS: Final = ("::/128", "0.0.0.0/8", *NEVER_OUTSIDE)
# Part of the links' octets from which an address that may stand for many is worth a note.
WORTH_A_NOTE: Final = 0.05
MOST_NAMED: Final = 3


class Translations(Struct, frozen=True, eq=False):
    """Records whose inside end is another than they say.

    rows: positions in the export, ascending; at_src: whether the inside end is the source; host: number of its
    address; port: its port. All [n]. routers: the addresses that were replaced, as text.
    unnamed: addresses outside the site's networks that stay, as text, with their part of the links' octets, the
    largest first; only those worth a note.
    """

    rows: NDArray[np.int64]
    at_src: NDArray[np.bool_]
    host: NDArray[np.int32]
    port: NDArray[np.int32]
    routers: tuple[str, ...] = ()
    unnamed: tuple[tuple[str, float], ...] = ()

    def applied(self, records: Records, first: int) -> Records:
        """The records with their hosts; first: position of the first of them in the export."""
        begin, stop = np.searchsorted(self.rows, (first, first + len(records))).tolist()
        if begin == stop:
            return records
        columns = {name: getattr(records, name).copy() for name in ("src", "dst", "src_port", "dst_port")}
        rows, at_src = self.rows[begin:stop] - first, self.at_src[begin:stop]
        for end, side in (("src", at_src), ("dst", ~at_src)):
            columns[end][rows[side]] = self.host[begin:stop][side]
            columns[f"{end}_port"][rows[side]] = self.port[begin:stop][side]
        return replace(records, **columns)

    def remarks(self, *, profile: bool) -> Iterator[Remark]:
        """What is to be known of them. profile: whether it names the site's networks."""
        if len(self.rows):
            yield remark("translated", records=len(self.rows), **_first(self.routers))
        if self.unnamed:
            addresses = tuple(address for address, _ in self.unnamed)
            share = sum(share for _, share in self.unnamed)
            yield remark("unnamed", **_first(addresses), share=share, profile=profile)


class Staying(Struct, frozen=True, eq=False):
    """Inside ends outside the site's networks for which no host is found: number of the address, octets. Shape [n]."""

    address: NDArray[np.int32]
    octets: NDArray[np.float64]


NOTHING_STAYS: Final = Staying(np.zeros(0, np.int32), np.zeros(0))
NONE: Final = Translations(
    np.zeros(0, np.int64), np.zeros(0, np.bool_), np.zeros(0, np.int32), np.zeros(0, np.int32)
)


def find_translations(
    decisions: Decisions,
    tally: Tally,
    pieces: Iterable[Records],
    interner: Interner,
    shift_ms: NDArray[np.int64],
    staying: Staying = NOTHING_STAYS,
) -> Translations:
    """The hosts of records that count on a link with an inside end outside the site's networks.

    pieces: all records of the export in their order, to be gone over twice; shift_ms: what to add to each source's
    times; staying: of records that are not among them. Costs nothing where all inside ends lie in the site's networks.
    """
    counted = np.where(decisions.counts, tally.octets, 0.0)
    beyond = counted - np.where(decisions.counts, tally.inside_octets, 0.0)
    if decisions.by_inside or not decisions.links_apart or not beyond.any():
        return NONE
    inside = interner.inside_by_number
    nowhere = AddressRanges(NO_ADDRESS).contains(interner.addresses.all())
    outer = Ends.joined(
        in_order(lambda piece: _beyond(piece, decisions, inside, nowhere, shift_ms), _placed(pieces))
    )
    if not len(outer) and not len(staying.octets):
        return NONE
    wanted = np.zeros(len(inside), np.bool_)
    wanted[outer.remote] = True
    inner = Ends.joined(in_order(lambda piece: _within(piece, inside, wanted, shift_ms), _placed(pieces)))
    found = named(outer, inner)
    return _translations(outer, found, interner, float(counted.sum()), staying)


def _placed(pieces: Iterable[Records]) -> Iterator[tuple[int, Records]]:
    """Each piece with the position of its first record."""
    first = 0
    for piece in pieces:
        yield first, piece
        first += len(piece)


def _beyond(
    placed: tuple[int, Records],
    decisions: Decisions,
    inside: NDArray[np.bool_],
    nowhere: NDArray[np.bool_],
    shift_ms: NDArray[np.int64],
) -> Ends:
    """Ends of the records that count on a link although neither of their ends is inside."""
    first, records = placed
    on_link = (records.link_in >= 0) | (records.link_out >= 0)
    rows = np.flatnonzero(on_link & ~(inside[records.src] | inside[records.dst]))
    chosen = records.at(rows)
    up = (chosen.link_out >= 0) & decisions.counts[chosen.source, chosen.link_out, UP, chosen.metered]
    down = (chosen.link_in >= 0) & decisions.counts[chosen.source, chosen.link_in, DOWN, chosen.metered]
    known = ~(nowhere[chosen.src] | nowhere[chosen.dst])
    kept = np.flatnonzero((up | down) & known)
    return Ends.of(chosen.at(kept), first + rows[kept], up[kept], shift_ms)


def _within(
    placed: tuple[int, Records],
    inside: NDArray[np.bool_],
    wanted: NDArray[np.bool_],
    shift_ms: NDArray[np.int64],
) -> Ends:
    """Ends of the records between a host inside and a wanted remote address, whether they count or not."""
    first, records = placed
    to_wanted, from_wanted = wanted[records.dst], wanted[records.src]
    rows = np.flatnonzero(to_wanted | from_wanted)
    src_inside, dst_inside = inside[records.src[rows]], inside[records.dst[rows]]
    out = to_wanted[rows] & src_inside & ~dst_inside
    kept = np.flatnonzero(out | (from_wanted[rows] & dst_inside & ~src_inside))
    return Ends.of(records.at(rows[kept]), first + rows[kept], out[kept], shift_ms)


def _translations(
    outer: Ends, found: Named, interner: Interner, total: float, others: Staying
) -> Translations:
    size = len(interner.addresses)
    has_host = found.host != NO_HOST
    ends = np.concatenate([outer.end[~has_host], others.address])
    staying = np.bincount(ends, np.concatenate([outer.octets[~has_host], others.octets]), size) / max(
        total, 1.0
    )
    addresses = interner.addresses.all()
    numbers = np.flatnonzero(staying >= WORTH_A_NOTE).tolist()
    numbers.sort(key=lambda number: (-staying[number], addresses[number]))
    replaced = np.bincount(outer.end[has_host], outer.octets[has_host], size)
    routers = np.unique(outer.end[has_host]).tolist()
    routers.sort(key=lambda number: (-replaced[number], addresses[number]))
    rows = np.flatnonzero(has_host)
    return Translations(
        rows=outer.row[rows],
        at_src=outer.out[rows],
        host=found.host[rows],
        port=found.port[rows],
        routers=tuple(to_text(addresses[number]) for number in routers),
        unnamed=tuple((to_text(addresses[number]), float(staying[number])) for number in numbers),
    )


def _first(addresses: tuple[str, ...]) -> dict[str, Any]:
    """As many as are named, and how many more there are."""
    return {"addresses": addresses[:MOST_NAMED], "more": max(len(addresses) - MOST_NAMED, 0)}
