"""Proposes a site profile from an export: which interfaces are links, who is inside, what runs over the
backup.

The export is read twice: once for who stands behind which interface, and once more, with links and LAN
guessed, through the aggregator, whose count of each packet once per link gives rates and keepalives. All of
it is a guess by common practice, no source; the evidence goes with each.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from ipaddress import collapse_addresses
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.build import build_case_data
from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.usage import Usage
from flowdiag.collector.export import open_export
from flowdiag.collector.readers.inputs import Progress
from flowdiag.collector.report import ExportReport
from flowdiag.collector.untaught import refuse_untaught
from flowdiag.flows import UNKNOWN_ADDRESS
from flowdiag.note.escape import terminal
from flowdiag.site.draft_keepalives import Candidate, keepalive_candidates
from flowdiag.site.places import (
    Door,
    Network,
    Places,
    as_network,
    collect_places,
    is_private,
    is_special,
)
from flowdiag.site.profile import MAX_MBPS, Link, Profile, Role, Site

MAX_LINKS_PROPOSED: Final = 8
LONGEST_NAME: Final = 60  # characters of an interface's name
PUBLIC_SHARE: Final = 0.9  # of what arrives at a link comes from public addresses
MIN_PREFIX_SHARE: Final = 0.001  # of what arrives at an interface; less is a stray or spoofed source
MANY_PREFIXES: Final = 8  # of one private block; more are proposed as their /16
IDLE_OCTETS_A_MINUTE: Final = 60_000  # 8 kbit/s: keepalives and their like, no ordinary traffic
LOAD_SHARING: Final = 0.5  # part of a lesser link's busy minutes that it is busy together with the first one
BACKUP_NAME: Final = re.compile(
    r"lte|[345]g|cell|wwan|wwlan|modem|mobile|backup|secondary|umts|gsm|qmi", re.IGNORECASE
)


@dataclass(frozen=True)
class Prefix:
    network: Network
    interfaces: tuple[int, ...]  # behind which it was seen
    share: float  # of the octets that arrive from inside
    private: bool


@dataclass(frozen=True)
class LinkGuess:
    """Rates are the highest minutes seen, in Mbit/s, down and up; peak_ms: when, in ms since 1970 UTC.

    octets: both directions; share: of the octets of all links.
    """

    interface: int | None
    interface_name: str
    name: str
    role: Role
    reason: str
    public_share: float | None
    octets: int
    share: float
    peak_mbps: tuple[float, float]
    peak_ms: tuple[int, int]
    keepalives: tuple[Candidate, ...] = ()


@dataclass(frozen=True)
class OtherInterface:
    index: int
    name: str
    octets_in: int
    octets_out: int


@dataclass(frozen=True)
class Draft:
    """exporters: (address, share of octets), the first is the site's; span in ms since 1970 UTC."""

    prefixes: tuple[Prefix, ...]
    exporters: tuple[tuple[bytes, float], ...]
    links: tuple[LinkGuess, ...]
    others: tuple[OtherInterface, ...]
    first_ms: int | None
    last_ms: int | None
    sampled: bool


def draft_profile(paths: Sequence[str | Path], progress: Progress | None = None) -> Draft:
    """Reads an export twice and guesses. paths: files and folders, not standard input. Raises ExportError."""
    export = open_export(paths, progress=progress)
    places = collect_places(export.batches())
    refuse_untaught(export.report, paths)
    exporters = _exporters(places)
    main = exporters[0][0] if exporters else UNKNOWN_ADDRESS
    doors = [door for door in places.doors() if door.exporter == main]
    names = {
        index: terminal(report.name, longest=LONGEST_NAME).strip()
        for (exporter, index), report in sorted(export.report.interfaces.items())
        if exporter == main
    }
    candidates = link_doors(places, doors, names)
    prefixes = lan_prefixes(places, doors, candidates)

    trial = _trial_profile([door.index for door in candidates], prefixes)
    again = open_export(paths, exporters=None if main == UNKNOWN_ADDRESS else {main}, progress=progress)
    flows, usage, coverage = build_case_data(again.batches(), again.report, trial)
    links = _links(places, candidates, names, flows, usage, coverage)
    taken = {door.index for door in candidates}
    others = tuple(
        OtherInterface(
            door.index,
            names.get(door.index, ""),
            sum(places.arriving.get(door, {}).values()),
            sum(places.leaving.get(door, {}).values()),
        )
        for door in doors
        if door.index is not None and door.index not in taken
    )
    return Draft(
        prefixes, exporters, links, others, coverage.first_ms, coverage.last_ms, _sampled(export.report)
    )


def _sampled(report: ExportReport) -> bool:
    return any(session.sampling != 1 for session in report.sessions)


def _exporters(places: Places) -> tuple[tuple[bytes, float], ...]:
    """(exporter, share of octets), most octets first."""
    octets = places.exporters()
    total = sum(octets.values()) or 1
    ranked = sorted(octets.items(), key=lambda item: (-item[1], item[0]))
    return tuple((exporter, count / total) for exporter, count in ranked)


def public_share(places: Places, door: Door) -> float | None:
    """Part of what arrives that comes from public addresses; by what leaves where nothing arrives."""
    for side in (places.arriving, places.leaving):
        public = private = 0
        for first, octets in side.get(door, {}).items():
            network = as_network(first)
            if is_private(network):
                private += octets
            elif not is_special(network):
                public += octets
        if public + private:
            return public / (public + private)
    return None


def link_doors(places: Places, doors: Sequence[Door], names: dict[int, str]) -> list[Door]:
    """Doors that look like links to the internet, most octets first; one without number if there are none.

    A link brings traffic from public addresses, or is named like a backup: an idle one may bring nothing but
    answers of a private address in the carrier's network.
    """
    numbered = [door for door in doors if door.index is not None]
    if not numbered:
        return [Door(doors[0].exporter if doors else UNKNOWN_ADDRESS, None)]

    def octets(door: Door) -> int:
        return sum(places.arriving.get(door, {}).values()) + sum(places.leaving.get(door, {}).values())

    found = [door for door in numbered if (public_share(places, door) or 0.0) >= PUBLIC_SHARE]
    if len(found) == len(numbered):  # public addresses inside too: most networks arrive from outside
        found = [max(numbered, key=lambda door: (len(places.arriving.get(door, {})), octets(door)))]
    if not found:
        found = [max(numbered, key=lambda door: (public_share(places, door) or 0.0, octets(door)))]
    found += [
        door for door in numbered if door not in found and BACKUP_NAME.search(names.get(door.index or 0, ""))
    ]
    ranked = sorted(found, key=lambda door: (-octets(door), door.index or 0))
    return ranked[:MAX_LINKS_PROPOSED]


def lan_prefixes(places: Places, doors: Sequence[Door], links: Sequence[Door]) -> tuple[Prefix, ...]:
    """Networks inside: what arrives at interfaces that are no links; private ones anywhere if none tells."""
    inside = [door for door in doors if door not in links]
    seen: dict[Network, tuple[set[int], int]] = {}
    outside = {first for door in links if door.index is not None for first in places.arriving.get(door, {})}
    for door in inside or doors:
        networks = places.arriving.get(door, {})
        total = sum(networks.values()) or 1
        for first, octets in networks.items():
            network = as_network(first)
            stranger = not is_private(network) and (not inside or door.index is None or first in outside)
            if is_special(network) or stranger or octets < MIN_PREFIX_SHARE * total:
                continue
            interfaces, sum_so_far = seen.get(network, (set(), 0))
            if door.index is not None:
                interfaces = interfaces | {door.index}
            seen[network] = interfaces, sum_so_far + octets
    return _merged(seen)


def _merged(seen: dict[Network, tuple[set[int], int]]) -> tuple[Prefix, ...]:
    """Many networks of one private /16 (IPv4) or any /48 (IPv6) as one; most octets first."""
    wider: dict[Network, list[Network]] = {}
    for network in seen:
        wider.setdefault(network.supernet(new_prefix=16 if network.version == 4 else 48), []).append(network)
    proposed: list[Network] = []
    for whole, parts in wider.items():
        many = len(parts) > MANY_PREFIXES and (is_private(whole) or whole.version == 6)
        proposed += [whole] if many else list(collapse_addresses(parts))  # type: ignore[type-var]
    total = sum(octets for _, octets in seen.values()) or 1
    found = []
    for network in proposed:
        parts = [part for part in seen if part.version == network.version and part.subnet_of(network)]  # type: ignore[arg-type]
        interfaces = sorted(set[int]().union(*(seen[part][0] for part in parts)))
        share = sum(seen[part][1] for part in parts) / total
        found.append(Prefix(network, tuple(interfaces), share, is_private(network)))
    return tuple(
        sorted(found, key=lambda prefix: (-prefix.share, prefix.network.version, int(prefix.network[0])))
    )


def _trial_profile(interfaces: Sequence[int | None], prefixes: Sequence[Prefix]) -> Profile:
    """A profile to count with: every candidate is a link, at a rate that nothing fills."""
    links = [
        Link(
            name=f"link {number}",
            interfaces=[] if index is None else [index],
            down_mbps=MAX_MBPS,
            up_mbps=MAX_MBPS,
            framing="ethernet",
        )
        for number, index in enumerate(interfaces)
    ]
    return Profile(site=Site(name="draft", lan=[str(prefix.network) for prefix in prefixes]), link=links)


def _links(
    places: Places,
    doors: Sequence[Door],
    names: dict[int, str],
    flows: SiteFlows,
    usage: Usage,
    coverage: Coverage,
) -> tuple[LinkGuess, ...]:
    octets = usage.ip_octets.sum(axis=(1, 2))
    total = float(octets.sum()) or 1.0
    busy = usage.wire_octets.sum(axis=1) > IDLE_OCTETS_A_MINUTE * usage.window_ms / 60_000
    hinted = [bool(BACKUP_NAME.search(names.get(door.index or 0, ""))) for door in doors]
    order = sorted(
        range(len(doors)), key=lambda n: (hinted[n] and not all(hinted), -octets[n], doors[n].index or 0)
    )
    first = order[0]
    guesses = []
    used: set[str] = set()
    for number in order:
        door = doors[number]
        role, reason = _role(number, first, octets, busy, hinted)
        interface_name = names.get(door.index or 0, "") if door.index is not None else ""
        peaks = [_peak(usage, number, direction) for direction in (0, 1)]
        guesses.append(
            LinkGuess(
                door.index,
                interface_name,
                _link_name(door.index, interface_name, used),
                role,
                reason,
                public_share(places, door),
                int(octets[number]),
                float(octets[number]) / total,
                (peaks[0][0], peaks[1][0]),
                (peaks[0][1], peaks[1][1]),
                keepalive_candidates(flows, number, coverage) if role == "backup" else (),
            )
        )
    return tuple(guesses)


def _role(
    number: int, first: int, octets: NDArray[np.float64], busy: NDArray[np.bool_], hinted: Sequence[bool]
) -> tuple[Role, str]:
    """The role of a link and the evidence for it."""
    total = float(octets.sum()) or 1.0
    percent = 100 * octets[number] / total
    part = f"it carried {f'{percent:.3g}' if percent >= 0.1 else 'under 0.1'} % of the octets of all links"
    if len(octets) == 1:
        return "primary", "the only link seen"
    minutes = int(busy[number].sum())
    evidence = f"{part} and ordinary traffic in {minutes} of {busy.shape[1]} minutes"
    if number == first:
        return "primary", evidence
    together = int((busy[number] & busy[first]).sum())
    if hinted[number]:
        return "backup", f"its interface is named like a cellular or backup link; {evidence}"
    if minutes and together > LOAD_SHARING * minutes:
        return "primary", f"{evidence}, mostly together with the first link, as when links share the load"
    return "backup", evidence


def _peak(usage: Usage, link: int, direction: int) -> tuple[float, int]:
    """The highest rate of a window and the window's start."""
    rates = usage.mbps(link, direction)
    if not len(rates):
        return 0.0, usage.start_ms
    window = int(np.argmax(rates))
    return float(rates[window]), usage.start_ms + window * usage.window_ms


def _link_name(index: int | None, interface_name: str, used: set[str]) -> str:
    """A name that no other link has: the interface's, or one made of its number."""
    name = interface_name or ("link" if index is None else f"link {index}")
    if name.casefold() in used:
        name = f"{name} ({index})"
    used.add(name.casefold())
    return name
