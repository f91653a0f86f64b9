"""Who, what and where of chosen records, in the shape that every finding's evidence uses."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.addresses import PRIVATE_NETWORKS, to_bytes, to_text
from flowdiag.aggregator.labels import label_of
from flowdiag.diagnoser.case import Case

# As many as a person reads in a ticket, and more while each has a part worth naming; the rest is in
# `flowdiag top`.
LISTED: Final = 5
MOST_LISTED: Final = 10
WORTH_NAMING: Final = 0.05


@lru_cache(maxsize=16)
def _networks(texts: tuple[str, ...]) -> tuple[IPv4Network | IPv6Network, ...]:
    return tuple(ip_network(text, strict=False) for text in texts)


def lies_in(address: bytes, networks: Sequence[str]) -> bool:
    """Whether 16 octets of an address lie in any of the networks, given as text."""
    parsed = ip_address(to_text(address))
    return any(parsed in network for network in _networks(tuple(networks)))


def who_what_where(case: Case, rows: NDArray[np.intp], weights: NDArray[np.float64]) -> dict[str, Any]:
    """hosts, applications and destinations with their shares of `weights` (one per row), largest first."""
    flows = case.flows
    hosts, applications, destinations = (
        np.bincount(keys[rows], weights).astype(np.float64)
        for keys in (flows.inside, flows.application, flows.outside)
    )
    return largest(case, hosts, applications, destinations)


def largest(
    case: Case,
    hosts: NDArray[np.float64],
    applications: NDArray[np.float64],
    destinations: NDArray[np.float64],
) -> dict[str, Any]:
    """The same from what each address and application adds up to, by their numbers."""
    return {
        "hosts": _hosts(case, hosts),
        "applications": [
            {"application": case.flows.applications[number], "share": share}
            for number, share in _top(applications, case.flows.applications)
        ],
        "destinations": _addresses(case, destinations),
    }


def _hosts(case: Case, sums: NDArray[np.float64]) -> list[dict[str, Any]]:
    """Inside hosts; one outside the site's networks, which may be a router with others behind it, is marked."""
    lan = case.profile.site.lan or PRIVATE_NETWORKS
    return [
        row if lies_in(to_bytes(row["address"]), lan) else {**row, "outside_lan": True}
        for row in _addresses(case, sums)
    ]


def _addresses(case: Case, sums: NDArray[np.float64]) -> list[dict[str, Any]]:
    known = case.flows.addresses
    return [
        {"address": to_text(known[number]), "label": label_of(case.profile, known[number]), "share": share}
        for number, share in _top(sums, known)
    ]


def _top(sums: NDArray[np.float64], names: tuple[bytes, ...] | tuple[str, ...]) -> list[tuple[int, float]]:
    """Number and share of the largest; equal shares in the order of their names, so that output is stable."""
    total = float(sums.sum())
    if total <= 0.0:
        return []
    ranked = np.sort(sums)[::-1][:MOST_LISTED]
    listed = max(LISTED, int(np.count_nonzero(ranked >= WORTH_NAMING * total)))
    floor = ranked[listed - 1] if len(ranked) >= listed else 0.0
    candidates = [int(i) for i in np.flatnonzero((sums >= floor) & (sums > 0.0))]
    candidates.sort(key=lambda index: (-sums[index], names[index]))
    return [(index, round(float(sums[index] / total), 4)) for index in candidates[:listed]]
