"""Proposes a site profile from an export: which interfaces are links, who is inside, what runs over the
backup.

The export is read twice: once for who stands behind which interface, and once more, with links and LAN
guessed, through the aggregator, whose count of each packet once per link gives rates and keepalives. All of
it is a guess by common practice, no source; the evidence goes with each.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from msgspec import Struct

from flowdiag.addresses import UNKNOWN_ADDRESS
from flowdiag.aggregator.build import build_case_data
from flowdiag.aggregator.plan_rates import HighestRate, highest_rate
from flowdiag.aggregator.usage import Usage
from flowdiag.collector.export import open_export
from flowdiag.collector.readers.inputs import Progress
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.asking import asked_again
from flowdiag.collector.untaught import refuse_untaught
from flowdiag.draft.keepalives import Candidate, keepalive_candidates
from flowdiag.draft.networks import Interface, Traffic, collect_traffic
from flowdiag.draft.ports import (
    BACKUP_NAME,
    Prefix,
    lan_prefixes,
    link_interfaces,
    passed_through,
    public_share,
    why_no_link,
)
from flowdiag.draft.roles import Activity, LinkTraits, RoleGuess, activity, guess_roles
from flowdiag.site.profile import Link, Profile, Role, Site
from flowdiag.text.escape import terminal

LONGEST_NAME: Final = 60  # characters of an interface's name


class LinkGuess(Struct, frozen=True):
    """public_share: of what arrives; highest: rate seen, down and up; keepalives: of a backup."""

    interface: int | None
    interface_name: str
    name: str
    guess: RoleGuess
    public_share: float | None
    highest: tuple[HighestRate, HighestRate]
    keepalives: tuple[Candidate, ...] = ()

    @property
    def role(self) -> Role:
        return self.guess.role


class OtherInterface(Struct, frozen=True):
    index: int
    name: str
    octets_in: int
    octets_out: int
    why: str  # it is no link, and when it is one all the same


class Draft(Struct, frozen=True):
    """exporters: (address, share of octets), the first is the site's; span in ms since 1970 UTC."""

    prefixes: tuple[Prefix, ...]
    exporters: tuple[tuple[bytes, float], ...]
    links: tuple[LinkGuess, ...]
    others: tuple[OtherInterface, ...]
    first_ms: int | None
    last_ms: int | None
    sampled: bool


@asked_again
def draft_profile(paths: Sequence[str | Path], progress: Progress | None = None) -> Draft:
    """Reads an export twice and guesses. paths: files and folders, not standard input. Raises ExportError."""
    export = open_export(paths, progress=progress)
    traffic = collect_traffic(export.batches())
    refuse_untaught(export.report, paths)
    exporters = _exporters(traffic)
    main = exporters[0][0] if exporters else UNKNOWN_ADDRESS
    interfaces = [interface for interface in traffic.interfaces() if interface.exporter == main]
    names = {
        index: terminal(report.name, longest=LONGEST_NAME).strip()
        for (exporter, index), report in sorted(export.report.interfaces.items())
        if exporter == main
    }
    candidates = link_interfaces(traffic, interfaces, names)
    prefixes = lan_prefixes(traffic, interfaces, candidates)

    trial = _trial_profile([interface.index for interface in candidates], prefixes)
    again = open_export(paths, exporters=None if main == UNKNOWN_ADDRESS else {main}, progress=progress)
    flows, usage, coverage = build_case_data(again.batches(), again.report, trial)
    through = passed_through(traffic)
    seen = activity(flows, trial, coverage.first_ms, coverage.last_ms)
    keepalives = [keepalive_candidates(flows, number, coverage, seen) for number in range(len(candidates))]
    links = _links(traffic, candidates, names, seen, usage, keepalives)
    taken = {interface.index for interface in candidates}
    others = tuple(
        OtherInterface(
            interface.index,
            names.get(interface.index, ""),
            sum(traffic.arriving.get(interface, {}).values()),
            sum(traffic.leaving.get(interface, {}).values()),
            why_no_link(traffic, interface, candidates, through),
        )
        for interface in interfaces
        if interface.index is not None and interface.index not in taken
    )
    return Draft(
        prefixes, exporters, links, others, coverage.first_ms, coverage.last_ms, _sampled(export.report)
    )


def _sampled(report: ExportReport) -> bool:
    return any(session.sampling != 1 for session in report.sessions)


def _exporters(traffic: Traffic) -> tuple[tuple[bytes, float], ...]:
    """(exporter, share of octets), most octets first."""
    octets = traffic.exporters()
    total = sum(octets.values()) or 1
    ranked = sorted(octets.items(), key=lambda item: (-item[1], item[0]))
    return tuple((exporter, count / total) for exporter, count in ranked)


def _trial_profile(interfaces: Sequence[int | None], prefixes: Sequence[Prefix]) -> Profile:
    """A profile to count with: every candidate is a link, of no known rate."""
    links = [
        Link(name=f"link {number}", interfaces=[] if index is None else [index], framing="ethernet")
        for number, index in enumerate(interfaces)
    ]
    return Profile(
        site=Site(name="draft", lan=[str(prefix.network) for prefix in prefixes if prefix.proposed]),
        link=links,
    )


def _links(
    traffic: Traffic,
    interfaces: Sequence[Interface],
    names: dict[int, str],
    seen: Activity,
    usage: Usage,
    keepalives: Sequence[tuple[Candidate, ...]],
) -> tuple[LinkGuess, ...]:
    traits = [
        LinkTraits(
            called(interface.index, names),
            bool(BACKUP_NAME.search(names.get(interface.index or 0, ""))),
            bool(found),
        )
        for interface, found in zip(interfaces, keepalives, strict=True)
    ]
    guesses = []
    used: set[str] = set()
    for number, guess in guess_roles(traits, seen):
        interface = interfaces[number]
        interface_name = names.get(interface.index or 0, "") if interface.index is not None else ""
        guesses.append(
            LinkGuess(
                interface.index,
                interface_name,
                _link_name(interface.index, interface_name, used),
                guess,
                public_share(traffic, interface),
                (highest_rate(usage, number, 0), highest_rate(usage, number, 1)),
                keepalives[number] if guess.role == "backup" else (),
            )
        )
    return tuple(guesses)


def called(index: int | None, names: dict[int, str]) -> str:
    """interface 3 "lte0"; the names have to be printable."""
    name = names.get(index or 0, "")
    return f'interface {index} "{name}"' if name else f"interface {index}"


def _link_name(index: int | None, interface_name: str, used: set[str]) -> str:
    """A name that no other link has: the interface's, or one made of its number."""
    name = interface_name or ("link" if index is None else f"link {index}")
    if name.casefold() in used:
        name = f"{name} ({index})"
    used.add(name.casefold())
    return name
