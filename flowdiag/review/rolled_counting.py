"""What counts on which link, by roll-ups alone: for each day of its own, as its flows would have it.

Facts the design follows:
- decisions rest on octets by link, direction and metering point, which are sums of minutes, and on how many of them belong
  to the site's addresses, which the hosts of the hours tell. What was folded there may be of either kind: where that
  decides, the day is left to its flows;
- whether two sources report the same packets, or another copy names the host behind a translated address, only records
  tell: such days are left to their flows too.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any, Final

import numpy as np
import pyarrow as pa
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.address_ranges import AddressRanges, address_range
from flowdiag.addresses import PRIVATE_NETWORKS
from flowdiag.aggregator.counting import Decisions, InterfaceLinks, Tally, decide
from flowdiag.aggregator.framing import PER_PACKET
from flowdiag.aggregator.records import INGRESS_METERED
from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.buffers import fill_null, integers, numbers, one_chunk
from flowdiag.rollup.minute_sums import MinuteSums, distinct
from flowdiag.rollup.shape import RollUp
from flowdiag.site.profile import Profile

# Part of a link's octets whose inside end is not of the site, from which on another copy may name who it was.
TRANSLATED: Final = 0.05
_SRC, _DST = 0, 1  # ends of the hosts' rows
_SRC_PRIVATE, _DST_PRIVATE = 1, 2  # bits of a scope (rollup/shape.py)
_KINDS: Final = 3


class Sources(Struct, frozen=True):
    """Exporter and domain of each source, apart by day: [day * domains + n]. The exporters carry their day's number."""

    sources: list[tuple[bytes, int]]
    a_day: int


class HostRows(Struct, frozen=True, eq=False):
    """Hosts of the hours of several roll-ups on a link and direction, the inside end by the direction's role; columns of one
    length. host: -1 for what was folded and for no address.

    day: number of it; source: of Sources; inside: whether the host is in the site's networks, of what was folded whether it
    may be.
    """

    day: NDArray[np.int64]
    source: NDArray[np.int64]
    hour: NDArray[np.int64]
    link: NDArray[np.int64]
    direction: NDArray[np.int64]
    metered: NDArray[np.int64]
    host: NDArray[np.int64]
    inside: NDArray[np.bool_]
    octets: NDArray[np.float64]
    wire: NDArray[np.float64]
    error: NDArray[np.float64]

    @property
    def series(self) -> NDArray[np.int64]:
        return 2 * self.link + self.direction

    def at(self, rows: NDArray[Any]) -> HostRows:
        return HostRows(**{name: getattr(self, name)[rows] for name in self.__struct_fields__})


class Hosts(Struct, frozen=True, eq=False):
    """inside: of the inside ends; outside: of the others; folded: of both, which is told of no host. addresses: by number;
    elsewhere: by day, octets of the site's hosts on no link.

    Each record is told twice in them, once by each end, so that half of all of them is what was carried.
    """

    inside: HostRows
    outside: HostRows
    folded: HostRows
    addresses: pa.Array
    elsewhere: NDArray[np.float64]


def number_sources(days: Sequence[Sequence[RollUp]]) -> Sources:
    """The sources of all days, each day with the same ones."""
    known: dict[tuple[bytes, int], None] = {}
    for rollups in days:
        for rollup in rollups:
            for domain in distinct(numbers(one_chunk(rollup.tables["minutes"]["domain"]))):
                known.setdefault((rollup.exporter, domain))
    return Sources(
        [
            (number.to_bytes(4, "big") + exporter, domain)
            for number in range(len(days))
            for exporter, domain in known
        ],
        len(known),
    )


def gather_hosts(days: Sequence[Sequence[RollUp]], sources: Sources, profile: Profile) -> Hosts:
    """days: the roll-ups of each, with the tables hosts and folded."""
    of = {source: number for number, source in enumerate(sources.sources)}
    named, folded, places = [], [], []
    for number, rollups in enumerate(days):
        for rollup in rollups:
            key = number.to_bytes(4, "big") + rollup.exporter
            hosts, lost = rollup.tables["hosts"], rollup.tables["folded"]
            places += [(number, key, hosts.num_rows), (number, key, lost.num_rows)]
            named.append(hosts)
            folded.append(lost)
    whole = pa.concat_tables(named).combine_chunks()
    encoded = one_chunk(whole["address"]).dictionary_encode()
    pool = encoded.dictionary
    inside = _ranges(tuple(profile.site.lan or PRIVATE_NETWORKS)).contains(pool.to_pylist())
    host = fill_null(encoded.indices, -1).astype(np.int64)
    columns = _columns(whole) | {"host": host, "error": np.zeros(len(host))}
    columns |= {"inside": (host >= 0) & inside[np.maximum(host, 0)]} if len(pool) else {"inside": host >= 0}
    columns |= _owners(whole, places[::2], of)
    end = numbers(one_chunk(whole["end"]))
    rest = pa.concat_tables(folded).combine_chunks()
    lost_columns = _columns(rest) | _owners(rest, places[1::2], of)
    lost_columns["error"] = numbers(one_chunk(rest["error"])).astype(np.float64)
    kinds = one_chunk(rest["kind"]).dictionary_encode()
    of_hosts = np.array([kind == "hosts" for kind in kinds.dictionary.to_pylist()], np.bool_)
    lost_columns["kept"] = of_hosts[numbers(kinds.indices)] if len(of_hosts) else np.zeros(0, np.bool_)
    lost_columns["host"] = np.full(rest.num_rows, -1, np.int64)
    lost_columns["scope"] = numbers(one_chunk(rest["scope"]))
    own = _on_links(columns, (end == _DST, end == _SRC), profile)
    others = _on_links(columns, (end == _SRC, end == _DST), profile)
    lost_rows = _on_links(lost_columns, (lost_columns["kept"],) * 2, profile)
    return Hosts(own, others, lost_rows, pool, _elsewhere(columns, profile, len(days)))


def _columns(table: pa.Table) -> dict[str, NDArray[Any]]:
    whole = ("hour", "ingress", "egress", "metered")
    return {name: integers(table, name) for name in whole} | {
        name: numbers(one_chunk(table[name])).astype(np.float64)
        for name in ("octets", "packets", "padding_46", "padding_38")
    }


def _owners(
    table: pa.Table, places: Sequence[tuple[int, bytes, int]], of: dict[tuple[bytes, int], int]
) -> dict[str, NDArray[Any]]:
    """Day and source of each row. places: day, exporter and number of rows of the tables that it was made of."""
    day = np.repeat([number for number, _, _ in places], [rows for _, _, rows in places]).astype(np.int64)
    domain = integers(table, "domain")
    source = np.zeros(len(domain), np.int64)
    begin = 0
    for _, key, rows in places:
        own = domain[begin : begin + rows]
        for number in distinct(own):
            source[begin : begin + rows][own == number] = of.get((key, number), -1)
        begin += rows
    return {"day": day, "source": source}


def _on_links(
    columns: dict[str, NDArray[Any]], wanted: tuple[NDArray[np.bool_], NDArray[np.bool_]], profile: Profile
) -> HostRows:
    """Rows on a link and direction. wanted: which of them, down and up."""
    link_of = InterfaceLinks(profile).of
    parts = []
    for direction, interfaces in ((DOWN, columns["ingress"]), (UP, columns["egress"])):
        link = link_of(interfaces)
        rows = np.flatnonzero((link >= 0) & (columns["source"] >= 0) & wanted[direction])
        names = ("day", "source", "hour", "metered", "host", "octets", "error")
        own = {name: columns[name][rows] for name in names}
        own["inside"] = (
            columns["inside"][rows] if "inside" in columns else _maybe(columns, rows, direction, profile)
        )
        own |= {"link": link[rows].astype(np.int64), "direction": np.full(len(rows), direction, np.int64)}
        parts.append(own | {"wire": _framed(columns, rows, link[rows], profile)})
    return HostRows(**{name: np.concatenate([part[name] for part in parts]) for name in parts[0]})


def _elsewhere(columns: dict[str, NDArray[Any]], profile: Profile, days: int) -> NDArray[np.float64]:
    link_of = InterfaceLinks(profile).of
    nowhere = (link_of(columns["ingress"]) < 0) & (link_of(columns["egress"]) < 0) & columns["inside"]
    return np.bincount(columns["day"][nowhere], columns["octets"][nowhere], days).astype(np.float64)


def _maybe(
    columns: dict[str, NDArray[Any]], rows: NDArray[np.intp], direction: int, profile: Profile
) -> NDArray[np.bool_]:
    """Whether the inside end of what was folded may be of the site: private addresses are known to be, or not."""
    if not _all_private(profile):
        return np.ones(len(rows), np.bool_)
    private: NDArray[np.bool_] = (
        columns["scope"][rows] & (_SRC_PRIVATE if direction == UP else _DST_PRIVATE)
    ) > 0
    return private


def _all_private(profile: Profile) -> bool:
    first = [address_range(network)[0] for network in profile.site.lan]
    return bool(_ranges(tuple(PRIVATE_NETWORKS)).contains(first).all())


@lru_cache(maxsize=256)
def _ranges(networks: tuple[str, ...]) -> AddressRanges:
    return AddressRanges(networks)


def _framed(
    columns: dict[str, NDArray[Any]], rows: NDArray[np.intp], link: NDArray[np.int8], profile: Profile
) -> NDArray[np.float64]:
    octets = columns["octets"][rows].copy()
    for number, one in enumerate(profile.link):
        rule, own = PER_PACKET[one.framing], np.flatnonzero(link == number)
        octets[own] += rule.added * columns["packets"][rows[own]]
        if rule.least:
            octets[own] += columns[f"padding_{rule.least}"][rows[own]]
    return octets


class Decided(Struct, frozen=True, eq=False):
    """left: by day, why its flows have to be read, in a word; empty where sums will do. repeated: by day, records that repeat
    others."""

    decisions: Decisions
    left: list[str]
    repeated: NDArray[np.int64]


def decided(sums: MinuteSums, hosts: Hosts, sources: Sources, profile: Profile, days: int) -> Decided:
    """sums: with the numbers of `sources`."""
    tally = _tally(sums, sources, profile)
    known, own, maybe = (np.zeros(tally.octets.shape) for _ in range(3))
    for total, rows in (
        (known, hosts.inside),
        (own, hosts.inside.at(hosts.inside.inside)),
        (maybe, hosts.folded.at(hosts.folded.inside)),
    ):
        np.add.at(total, (rows.source, rows.link, rows.direction, rows.metered), rows.octets)
    tally.inside_octets = own
    decisions = decide(tally, sources, profile)
    if decisions.by_inside or not decisions.links_apart or not tally.numbered:
        return Decided(decisions, ["interfaces"] * days, np.zeros(days, np.int64))
    tally.inside_octets = own + maybe
    others = decide(tally, sources, profile)
    counted = np.where(decisions.counts, tally.records, 0.0).sum(axis=3).reshape(days, sources.a_day, -1)

    def of_day(values: NDArray[np.float64]) -> NDArray[np.float64]:
        summed: NDArray[np.float64] = values.reshape(days, -1).sum(axis=1)
        return summed

    beyond, octets, copies = (
        of_day(np.where(counts, values, 0.0))
        for counts, values in (
            (decisions.counts, known - own),
            (decisions.counts, tally.octets),
            (~decisions.counts, own),
        )
    )
    reasons = {
        "metering": of_day(np.not_equal(decisions.counts, others.counts).astype(np.float64)) > 0,
        "sources": ((counted > 0).sum(axis=1) > 1).any(axis=1),
        "translated": (beyond >= TRANSLATED * np.maximum(octets, 1.0)) & (hosts.elsewhere + copies > 0),
    }
    left = [next((why for why, marked in reasons.items() if marked[day]), "") for day in range(days)]
    dropped = of_day(np.where(decisions.counts, 0.0, tally.records))
    local = _not_local(sums, decisions, sources, profile, days)
    return Decided(decisions, left, np.rint(dropped + local).astype(np.int64))


def _tally(sums: MinuteSums, sources: Sources, profile: Profile) -> Tally:
    tally = Tally(len(profile.link))
    tally.grow(len(sources.sources))
    flows = sums.amounts["flows"]
    kind = sums.source * _KINDS + sums.metered
    tally.kinds += np.bincount(kind, flows, tally.kinds.size).reshape(tally.kinds.shape)
    known = (sums.metered == INGRESS_METERED) & (sums.egress >= 0)
    tally.egress_known += np.bincount(sums.source[known], flows[known], len(tally.egress_known))
    for interfaces in (sums.ingress, sums.egress):
        tally.see(interfaces)
    link_of = InterfaceLinks(profile).of
    for direction, interfaces in ((DOWN, sums.ingress), (UP, sums.egress)):
        link = link_of(interfaces)
        rows = np.flatnonzero(link >= 0)
        cell = ((sums.source[rows] * len(profile.link) + link[rows]) * 2 + direction) * _KINDS + sums.metered[
            rows
        ]
        for total, values in ((tally.records, flows), (tally.octets, sums.amounts["octets"])):
            total += np.bincount(cell, values[rows], total.size).reshape(total.shape)
    return tally


def _not_local(
    sums: MinuteSums, decisions: Decisions, sources: Sources, profile: Profile, days: int
) -> NDArray[np.float64]:
    """By day, records on no link that repeat others."""
    if decisions.counts_locally.all():
        return np.zeros(days)
    link_of = InterfaceLinks(profile).of
    local = (link_of(sums.ingress) < 0) & (link_of(sums.egress) < 0)
    local &= ~decisions.counts_locally[sums.source, sums.metered, (sums.egress >= 0).astype(np.int64)]
    flows = sums.amounts["flows"][local]
    return np.bincount(sums.source[local] // sources.a_day, flows, days).astype(np.float64)
