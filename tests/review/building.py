"""Partials and profiles made by hand, for figures that can be worked out by hand."""

from __future__ import annotations

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.buffers import address_column
from flowdiag.review.link_figures import LinkFigures, link_figures
from flowdiag.review.partial import SLOT_MINUTES, SLOT_MS, SitePartial, nothing
from flowdiag.review.slots import Slots, local_slots
from flowdiag.review.talkers import Carried, named
from flowdiag.site.profile import Profile
from flowdiag.site.reading import profile_from_text

# Monday 2 March 2026, 00:00 UTC.
MONDAY_MS = 1_772_409_600_000
DAY_MS = 86_400_000
SLOTS_A_DAY = 288
SLOTS_AN_HOUR = 12
OCTETS_A_MBPS_MINUTE = 7_500_000  # 10^6 bit/s for 60 s
HOST, OTHER = bytes(10) + b"\xff\xff\xc0\xa8\x28\x14", bytes(10) + b"\xff\xff\xc0\xa8\x28\x15"

PROFILE = """
[site]
name = "Made by hand"
timezone = "UTC"
lan = ["192.168.40.0/24"]

[[link]]
name = "line"
role = "primary"
interfaces = [2]
down_mbps = 100
up_mbps = 20

[[link]]
name = "cellular"
role = "backup"
interfaces = [3]
down_mbps = 30
up_mbps = 5
allowance_gb = 10

[[label]]
network = "192.168.40.20/32"
name = "archive"

[plan_catalogue]
"Line 100" = [100, 20]
"Line 250" = [250, 50]
"Line 500" = [500, 100]
"""


def profile(text: str = PROFILE, **site: str) -> Profile:
    """The profile above with further keys of its site."""
    more = "".join(f'{key} = "{value}"\n' for key, value in site.items())
    return profile_from_text(text.replace("[site]\n", f"[site]\n{more}"), "site.toml")


def partial_of(
    mbps: NDArray[np.float64], begin_ms: int = MONDAY_MS, *, up: NDArray[np.float64] | None = None
) -> SitePartial:
    """A partial of two links whose first has these five-minute rates down; covered throughout, two hosts."""
    empty = nothing(2, begin_ms, len(mbps) * SLOT_MINUTES)
    octets = empty.wire_octets.copy()
    for direction, rates in enumerate((mbps, up)):
        if rates is not None:
            octets[0, direction] = np.rint(np.repeat(rates, SLOT_MINUTES) * OCTETS_A_MBPS_MINUTE)
    return replace(empty, wire_octets=octets, covered=~empty.covered, records=1, hosts=2)


def with_talkers(partial: SitePartial, rows: list[tuple[int, int, bytes, float]]) -> SitePartial:
    """rows: series, slot of the partial, address, Mbit/s. What is said of no host was of others."""
    names = sorted({address for _, _, address, _ in rows})
    first = partial.start_ms // SLOT_MS
    hosts = Carried(
        np.array([(first + slot) // SLOTS_AN_HOUR for _, slot, _, _ in rows], np.int64),
        np.array([series for series, _, _, _ in rows], np.int64),
        np.array([round(mbps * OCTETS_A_MBPS_MINUTE * SLOT_MINUTES) for _, _, _, mbps in rows], np.float64),
        np.array([names.index(address) for _, _, address, _ in rows], np.int64),
    )
    carried = partial.wire_octets.reshape(2 * partial.links, -1, SLOT_MINUTES).sum(axis=2)
    series, slot = np.nonzero(carried)
    whole = Carried((first + slot) // SLOTS_AN_HOUR, series, carried[series, slot].astype(np.float64))
    return replace(partial, talkers=named(hosts, whole, address_column(names)))


def slots_of(partial: SitePartial, site: Profile) -> Slots:
    return local_slots(partial.start_ms, partial.end_ms, site.site.timezone, site.site.hours)


def figures_of(
    partial: SitePartial, site: Profile | None = None, *, link: int = 0, direction: int = 0
) -> LinkFigures:
    site = site or profile()
    slots = slots_of(partial, site)
    return link_figures(site, link, direction, partial, slots, partial, slots)
