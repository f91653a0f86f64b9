"""Who, what and where: rankings of the octets that fall in a window.

Only the part of a flow inside the window counts, by its even spread. Equal rows stand in the order of their keys,
so that the same export gives the same ranking.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from flowdiag.addresses import to_text
from flowdiag.aggregator.applications import catalogue_of
from flowdiag.aggregator.chunks import chunked_sum
from flowdiag.aggregator.figures import Ranked
from flowdiag.aggregator.labels import Labels
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.spread import part_inside
from flowdiag.site.profile import Profile

Window = tuple[int, int]
Mask = NDArray[np.bool_] | None


def rank_talkers(
    flows: SiteFlows, profile: Profile, window_ms: Window, mask: Mask = None, limit: int | None = None
) -> tuple[Ranked, ...]:
    """Inside hosts, both directions of all links summed, by octets inside [from, to).

    mask: bool [n], only these rows; by default those on a link (all rows where no link is known).
    limit: rows to give, all for None; shares are of all octets of the mask inside the window.
    """
    return _rank_addresses(flows, flows.inside, profile, window_ms, mask, limit)


def rank_destinations(
    flows: SiteFlows, profile: Profile, window_ms: Window, mask: Mask = None, limit: int | None = None
) -> tuple[Ranked, ...]:
    """Outside addresses, whichever end is the source. Arguments as for rank_talkers()."""
    return _rank_addresses(flows, flows.outside, profile, window_ms, mask, limit)


def rank_applications(
    flows: SiteFlows, profile: Profile, window_ms: Window, mask: Mask = None, limit: int | None = None
) -> tuple[Ranked, ...]:
    """Applications; the label is the plain-language class. Arguments as for rank_talkers()."""
    rules = catalogue_of(profile)

    def name(number: int) -> tuple[str, str | None]:
        text = flows.applications[number]
        return text, rules.class_of(text)

    return _rank(flows, flows.application, flows.applications, name, window_ms, mask, limit)


def _rank_addresses(
    flows: SiteFlows,
    keys: NDArray[np.int32],
    profile: Profile,
    window_ms: Window,
    mask: Mask,
    limit: int | None,
) -> tuple[Ranked, ...]:
    labels = Labels(profile)

    def name(number: int) -> tuple[str, str | None]:
        address = flows.addresses[number]
        return to_text(address), labels.label(address)

    return _rank(flows, keys, flows.addresses, name, window_ms, mask, limit)


def _rank(
    flows: SiteFlows,
    keys: NDArray[np.int32],
    order_keys: Sequence[bytes] | Sequence[str],
    name: Callable[[int], tuple[str, str | None]],
    window_ms: Window,
    mask: Mask,
    limit: int | None,
) -> tuple[Ranked, ...]:
    if mask is None:
        on_link = flows.link >= 0
        mask = on_link if on_link.any() else np.ones(len(flows), np.bool_)
    size = int(keys.max(initial=0)) + 1

    def sums(step: slice) -> NDArray[np.float64]:
        key, weights = keys[step].astype(np.intp), (flows.octets[step], flows.packets[step])
        part = part_inside(flows.start_ms[step], flows.end_ms[step], *window_ms)
        chosen = mask[step] & (part > 0.0)
        if not chosen.all():
            rows = np.flatnonzero(chosen)
            key, part, weights = key[rows], part[rows], (weights[0][rows], weights[1][rows])
        counted = np.empty((3, size))
        for number, weight in enumerate(weights):
            counted[number] = np.bincount(key, weight * part, size)
        counted[2] = np.bincount(key, minlength=size)
        return counted

    octets, packets, count = chunked_sum(sums, len(flows), cells=size)
    total = float(octets.sum()) or 1.0
    return tuple(
        Ranked(
            *name(number),
            octets=round(float(octets[number])),
            packets=round(float(packets[number])),
            flows=int(count[number]),
            share=float(octets[number]) / total,
        )
        for number in largest(octets, np.flatnonzero(count), order_keys, limit)
    )


def largest(
    values: NDArray[np.float64],
    numbers: NDArray[np.intp],
    order_keys: Sequence[bytes] | Sequence[str],
    limit: int | None,
) -> list[int]:
    """Those of the numbers with the largest values, at most limit; equal ones in the order of their keys."""
    if limit is not None and len(numbers) > limit > 0:
        least = np.partition(values[numbers], len(numbers) - limit)[len(numbers) - limit]
        numbers = numbers[values[numbers] >= least]
    ordered = sorted(numbers.tolist(), key=lambda number: (-values[number], order_keys[number]))
    return ordered if limit is None else ordered[:limit]
