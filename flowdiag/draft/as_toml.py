"""Writes a drafted profile as TOML, each guess with its evidence in a comment.

Names come from the network: drafting.py has made them printable lines, which cannot end a comment.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Final

from flowdiag.addresses import UNKNOWN_ADDRESS, to_text
from flowdiag.aggregator.plan_rates import KEYS
from flowdiag.draft.keepalives import Candidate
from flowdiag.draft.ports import Prefix
from flowdiag.draft.proposal import Draft, LinkGuess, OtherInterface
from flowdiag.site.clock import LocalTime
from flowdiag.text.escape import toml_string
from flowdiag.text.wording import draft as wording

MAX_LISTED: Final = 40  # prefixes, other exporters, other interfaces
CLOCK: Final = LocalTime("UTC")  # the site's zone has still to be filled in


def as_toml(draft: Draft) -> str:
    """The profile as TOML text that read_profile() takes."""
    lines = [
        *(f"# {line}" for line in wording.head(_span(draft))),
        "",
        *_site(draft),
    ]
    for link in draft.links:
        lines += ["", *_link(link, draft)]
    lines += ["", *_others(draft.others)]
    lines += [
        "",
        f"# {wording.LABELS}",
        "# [[label]]",
        '# network = "192.0.2.80/32"',
        f"# name = {toml_string(wording.LABEL_NAME)}",
    ]
    return "\n".join(lines) + "\n"


def _span(draft: Draft) -> str:
    if draft.first_ms is None or draft.last_ms is None:
        return wording.NO_TIME
    return wording.span(_time(draft.first_ms), _time(draft.last_ms))


def _site(draft: Draft) -> Iterator[str]:
    yield "[site]"
    yield f"name = {toml_string(wording.SITE_NAME)}  # {wording.NAME}"
    yield f'timezone = "UTC"  # {wording.TIMEZONE}'
    yield from _lan(draft.prefixes)
    yield from _exporters(draft.exporters)
    yield f'# hours = "Mon-Fri 08:00-18:00"  # {wording.HOURS}'


def _lan(prefixes: tuple[Prefix, ...]) -> Iterator[str]:
    if not any(prefix.proposed for prefix in prefixes):
        yield f"# {wording.NO_LAN}"
    if not prefixes:
        yield "lan = []"
        return
    yield "lan = ["
    for prefix in prefixes[:MAX_LISTED]:
        mark = "  " if prefix.proposed else "  # "
        told = wording.inside(prefix.private, _listed(prefix.interfaces), prefix.share)
        yield f'{mark}"{prefix.network}",  # {_with(told, prefix.alternative)}'
    yield "]"
    if len(prefixes) > MAX_LISTED:
        yield f"# {wording.more_inside(len(prefixes) - MAX_LISTED)}"


def _with(evidence: str, alternative: str | None) -> str:
    return evidence if alternative is None else f"{evidence}; {alternative}"


def _exporters(exporters: tuple[tuple[bytes, float], ...]) -> Iterator[str]:
    known = [(to_text(exporter), share) for exporter, share in exporters if exporter != UNKNOWN_ADDRESS]
    if not known or exporters[0][0] == UNKNOWN_ADDRESS:
        yield f'# exporters = ["192.0.2.10"]  # {wording.NO_EXPORTER}'
        return
    (first, share), *others = known
    reason = wording.exporter(share) if others else wording.ONLY_EXPORTER
    yield f'exporters = ["{first}"]  # {reason}'
    for address, other in others[:MAX_LISTED]:
        yield f"# {wording.other_exporter(address, other)}"


def _link(link: LinkGuess, draft: Draft) -> Iterator[str]:
    yield "[[link]]"
    told = wording.CALLED_SO if link.interface_name else wording.MADE_UP
    yield f"name = {toml_string(link.name)}  # {told}"
    yield f"# {wording.role(link.role, link.guess.reason, link.guess.alternative)}"
    yield f'role = "{link.role}"'
    if link.interface is None:
        yield f"interfaces = []  # {wording.NO_INTERFACES}"
    else:
        yield f"interfaces = [{link.interface}]  # {wording.sources(link.public_share)}"
    yield f"# {wording.RATES}"
    for key, highest in zip(KEYS, link.highest, strict=True):
        yield f"# {key} =   # {wording.highest(highest.mbps, highest.length_ms, CLOCK.iso(highest.start_ms))}"
    yield f'framing = "ethernet"  # {wording.FRAMING}'
    if link.role == "backup":
        yield f"variable = true  # {wording.VARIABLE}"
        yield f"# allowance_gb = 50  # {wording.ALLOWANCE}"
        yield from _keepalives(link.keepalives, sampled=draft.sampled)


def _keepalives(candidates: tuple[Candidate, ...], *, sampled: bool) -> Iterator[str]:
    if not candidates:
        yield f"# {wording.no_keepalive(sampled=sampled)}"
    for candidate in candidates:
        yield ""
        told = wording.keepalive(candidate.packets, candidate.records, answers=candidate.answers)
        yield f"  [[link.keepalive]]  # {told}"
        yield f'  destination = "{to_text(candidate.destination)}"'
        yield f'  protocol = "{candidate.protocol}"'
        if candidate.port:
            yield f"  port = {candidate.port}"
        yield f"  interval_s = {candidate.interval_s:g}  # {wording.measured(candidate.measured_s)}"
        if candidate.packet_bytes is not None:
            yield f"  packet_bytes = {candidate.packet_bytes}  # {wording.MEAN_OCTETS}"


def _others(others: tuple[OtherInterface, ...]) -> Iterator[str]:
    if not others:
        return
    yield f"# {wording.OTHERS}"
    for other in others[:MAX_LISTED]:
        name = f' "{other.name}"' if other.name else ""
        yield f"#   {other.index}{name}: {wording.other_interface(other.octets_in, other.octets_out, other.why)}"
    if len(others) > MAX_LISTED:
        yield f"#   {wording.and_more(len(others) - MAX_LISTED)}"


def _listed(numbers: tuple[int, ...]) -> str:
    shown = ", ".join(map(str, numbers[:MAX_LISTED]))
    return shown if len(numbers) <= MAX_LISTED else f"{shown} {wording.and_more(len(numbers) - MAX_LISTED)}"


def _time(time_ms: int) -> str:
    return datetime.fromtimestamp(time_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M")
