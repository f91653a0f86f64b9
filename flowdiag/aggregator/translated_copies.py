"""Which records on the outer side of an address translation are copies of which on its inner side.

Copies have the same remote end, protocol, way, octets and packets at nearly the same time. Among several of one kind a kept
port decides; then it is enough that one host has them all, or that there are as many on both sides (common practice, no
source).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.duplicates import NEARLY_MS
from flowdiag.aggregator.translated_ends import Ends, Mask, changes

NO_HOST: Final = -1
# Agreement of so many packets and their octets is no chance; a query of one packet looks like the next.
TELLING_PACKETS: Final = 10

Numbers = NDArray[np.int64]


def by_copies(outer: Ends, inner: Ends) -> tuple[NDArray[np.int32], NDArray[np.int32], Mask, Mask]:
    """host and port of each outer record by its copy, whether that is certain; and which inner records are such copies."""
    host, port = np.full(len(outer), NO_HOST, np.int32), outer.port.copy()
    is_certain, used = np.zeros(len(outer), np.bool_), np.zeros(len(inner), np.bool_)
    key_outer, key_inner = outer.packet_keys(), inner.packet_keys()
    both = np.intersect1d(key_outer, key_inner)
    at_outer, at_inner = np.flatnonzero(np.isin(key_outer, both)), np.flatnonzero(np.isin(key_inner, both))
    if not len(both):
        return host, port, is_certain, used
    count = len(at_outer)
    ends = Ends.joined((outer.at(at_outer), inner.at(at_inner)))
    is_outer = np.arange(len(ends)) < count
    cluster = _clusters(np.concatenate([key_outer[at_outer], key_inner[at_inner]]), ends)
    # What one end of one port has in a cluster are the same packets, however many points saw them.
    order = np.lexsort((ends.start_ms, ends.port, ends.end, is_outer, cluster))
    new = changes(cluster[order], is_outer[order], ends.end[order], ends.port[order])
    party_of = np.empty(len(ends), np.int64)
    party_of[order] = np.cumsum(new) - 1
    parties = _Parties(ends.at(order[new]), is_outer[order[new]], cluster[order[new]])
    partner, certain = parties.partners()
    partner = parties.believed(partner)
    partner_of = partner[party_of]
    has = np.flatnonzero(is_outer & (partner_of >= 0))
    host[at_outer[has]] = parties.ends.end[partner_of[has]]
    port[at_outer[has]] = parties.ends.port[partner_of[has]]
    is_certain[at_outer[has]] = certain[party_of[has]]
    taken = np.zeros(len(partner), np.bool_)
    taken[partner[partner >= 0]] = True
    used[at_inner] = taken[party_of[count:]]
    return host, port, is_certain, used


def _clusters(keys: NDArray[np.uint64], ends: Ends) -> Numbers:
    """Numbers of the records by what translation leaves and by their times: equal ones are copies of each other."""
    order = np.lexsort((ends.start_ms, keys))
    first = np.empty(len(keys), np.int64)
    first[order] = np.cumsum(changes(keys[order]) | _apart(ends.start_ms[order]))
    order = np.lexsort((ends.end_ms, first))
    cluster = np.empty(len(keys), np.int64)
    cluster[order] = np.cumsum(changes(first[order]) | _apart(ends.end_ms[order])) - 1
    return cluster


def _apart(times_ms: Numbers) -> Mask:
    apart = np.zeros(len(times_ms), np.bool_)
    apart[1:] = np.abs(np.diff(times_ms)) > NEARLY_MS
    return apart


class _Parties(Struct, frozen=True, eq=False):
    """Ends of one port in a cluster of copies, ordered by cluster, then inner before outer. All [parties]."""

    ends: Ends
    is_outer: Mask
    cluster: Numbers

    def partners(self) -> tuple[Numbers, Mask]:
        """The inner party that each outer one is, -1 for none; and whether no other host could be."""
        partner = np.full(len(self.cluster), -1, np.int64)
        self._by_port(partner)
        certain = partner >= 0
        taken = np.zeros(len(partner), np.bool_)
        taken[partner[certain]] = True
        self._by_number(partner, certain, np.flatnonzero(~taken & ~certain))
        return partner, certain

    def _by_port(self, partner: Numbers) -> None:
        """Those whose port was kept, where one host of the cluster has it."""
        group = self.cluster << 16 | self.ends.port
        rows = np.flatnonzero(self.ends.telling())  # none without a port
        inner, outer = rows[~self.is_outer[rows]], rows[self.is_outer[rows]]
        order = inner[np.argsort(group[inner], kind="stable")]
        low = np.searchsorted(group[order], group[outer], "left")
        single = np.searchsorted(group[order], group[outer], "right") - low == 1
        partner[outer[single]] = order[low[single]]

    def _by_number(self, partner: Numbers, certain: Mask, rows: NDArray[np.intp]) -> None:
        """The rest (rows): of one host, or as many as there are outer parties, in the order of their times."""
        size = int(self.cluster[-1]) + 1
        inner, outer = rows[~self.is_outer[rows]], rows[self.is_outer[rows]]
        hosts, times = self.cluster[inner], np.bincount(self.cluster[outer], minlength=size)
        have = np.bincount(hosts, minlength=size)
        low, high = np.full(size, np.iinfo(np.int64).max), np.full(size, -1, np.int64)
        np.minimum.at(low, hosts, self.ends.end[inner].astype(np.int64))
        np.maximum.at(high, hosts, self.ends.end[inner].astype(np.int64))
        one_host = low == high
        fits = (times > 0) & (((times <= have) & one_host) | (times == have))
        inner, outer = inner[fits[self.cluster[inner]]], outer[fits[self.cluster[outer]]]
        inner = inner[np.lexsort((self.ends.start_ms[inner], self.cluster[inner]))]
        outer = outer[np.lexsort((self.ends.start_ms[outer], self.cluster[outer]))]
        begins = np.searchsorted(self.cluster[inner], self.cluster[outer])
        nth = np.arange(len(outer)) - np.searchsorted(self.cluster[outer], self.cluster[outer])
        partner[outer] = inner[begins + nth]
        certain[outer] = one_host[self.cluster[outer]]

    def believed(self, partner: Numbers) -> Numbers:
        """partner without small records that agree by chance: only of addresses that surely are translated."""
        has = np.flatnonzero(partner >= 0)
        kept = (self.ends.port[has] == self.ends.port[partner[has]]) & self.ends.telling()[has]
        tells = kept | (self.ends.packets[has] >= TELLING_PACKETS)
        proven = np.isin(self.ends.end[has], np.unique(self.ends.end[has[tells]]))
        believed = np.full(len(partner), -1, np.int64)
        believed[has[proven]] = partner[has[proven]]
        return believed
