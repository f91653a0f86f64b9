"""Who, what and where: rankings of the octets that fall in a window."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.addresses import to_text
from flowdiag.aggregator.figures import Ranked
from flowdiag.aggregator.labels import Labels
from flowdiag.aggregator.site_flows import NO_LINK, SiteFlows
from flowdiag.aggregator.spread import overlap_share
from flowdiag.site.profile import Profile

Window = tuple[int, int]
Mask = NDArray[np.bool_] | None


def rank_talkers(
    flows: SiteFlows, profile: Profile, window_ms: Window, mask: Mask = None, limit: int | None = None
) -> tuple[Ranked, ...]:
    """Inside hosts by octets of both directions on all links, largest first."""
    names = _address_names(flows.addresses, profile)
    return _rank(flows, flows.inside, names, window_ms, mask, limit)


def rank_destinations(
    flows: SiteFlows, profile: Profile, window_ms: Window, mask: Mask = None, limit: int | None = None
) -> tuple[Ranked, ...]:
    """Outside addresses by octets of both directions on all links, largest first."""
    names = _address_names(flows.addresses, profile)
    return _rank(flows, flows.outside, names, window_ms, mask, limit)


def rank_applications(
    flows: SiteFlows, profile: Profile, window_ms: Window, mask: Mask = None, limit: int | None = None
) -> tuple[Ranked, ...]:
    """Applications by octets of both directions on all links, largest first."""
    return _rank(flows, flows.application, _Names(flows.applications), window_ms, mask, limit)


class _Names:
    def __init__(self, texts: Sequence[str]) -> None:
        self.texts = texts

    def of(self, number: int) -> tuple[str, str | None]:
        return self.texts[number], None


class _AddressNames(_Names):
    def __init__(self, addresses: Sequence[bytes], labels: Labels) -> None:
        self.addresses, self.labels = addresses, labels

    def of(self, number: int) -> tuple[str, str | None]:
        address = self.addresses[number]
        return to_text(address), self.labels.label(address)


def _address_names(addresses: Sequence[bytes], profile: Profile) -> _AddressNames:
    return _AddressNames(addresses, Labels(profile))


def _rank(
    flows: SiteFlows, keys: NDArray[np.int32], names: _Names, window: Window, mask: Mask, limit: int | None
) -> tuple[Ranked, ...]:
    share = overlap_share(flows.start_ms, flows.end_ms, *window)
    rows = (flows.link != NO_LINK) & (share > 0)
    if mask is not None:
        rows &= mask
    at, part = keys[rows], share[rows]
    size = int(at.max()) + 1 if len(at) else 0
    octets = np.bincount(at, flows.octets[rows] * part, minlength=size)
    packets = np.bincount(at, flows.packets[rows] * part, minlength=size)
    counts = np.bincount(at, minlength=size)
    total = float(octets.sum()) or 1.0
    order = np.lexsort((np.arange(size), -octets))
    order = order[counts[order] > 0][:limit]
    return tuple(
        Ranked(
            *names.of(int(k)), round(octets[k]), round(packets[k]), int(counts[k]), float(octets[k] / total)
        )
        for k in order
    )
