"""Writes a drafted profile as TOML, each guess with its evidence in a comment.

Names come from the network: drafting.py has made them printable lines, which cannot end a comment.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Final

from flowdiag.addresses import to_text
from flowdiag.aggregator.plan_rates import KEYS
from flowdiag.draft.keepalives import Candidate
from flowdiag.draft.ports import Prefix
from flowdiag.draft.proposal import Draft, LinkGuess, OtherInterface
from flowdiag.flows import UNKNOWN_ADDRESS
from flowdiag.text.clock import Clock
from flowdiag.text.escape import toml_string
from flowdiag.text.figures import three_digits

MAX_LISTED: Final = 40  # prefixes, other exporters, other interfaces
FILL_IN: Final = "FILL IN"
CLOCK: Final = Clock("UTC")  # the site's zone has still to be filled in


def as_toml(draft: Draft) -> str:
    """The profile as TOML text that read_profile() takes."""
    lines = [
        "# A site profile drafted from an export: what a comment explains is a guess. Check each one, and",
        f"# replace what is marked {FILL_IN}: an export does not tell it.",
        f"# The export covers {_span(draft)}.",
        "",
        *_site(draft),
    ]
    for link in draft.links:
        lines += ["", *_link(link, draft)]
    lines += ["", *_others(draft.others)]
    lines += [
        "",
        "# Names for addresses and networks make notes easier to read:",
        "# [[label]]",
        '# network = "192.0.2.80/32"',
        '# name = "backup service"',
    ]
    return "\n".join(lines) + "\n"


def _span(draft: Draft) -> str:
    if draft.first_ms is None or draft.last_ms is None:
        return "no time that can be read"
    return f"{_time(draft.first_ms)} to {_time(draft.last_ms)} (UTC)"


def _site(draft: Draft) -> Iterator[str]:
    yield "[site]"
    yield f'name = "New site"  # {FILL_IN}: what the site is called in notes'
    yield f'timezone = "UTC"  # {FILL_IN}: the IANA name, such as "Pacific/Auckland"'
    yield from _lan(draft.prefixes)
    yield from _exporters(draft.exporters)
    yield '# hours = "Mon-Fri 08:00-18:00"  # working hours, if an outage at night should not count'


def _lan(prefixes: tuple[Prefix, ...]) -> Iterator[str]:
    if not any(prefix.proposed for prefix in prefixes):
        yield f"# {FILL_IN} lan: no network could be told to be inside for certain"
    if not prefixes:
        yield "lan = []"
        return
    yield "lan = ["
    for prefix in prefixes[:MAX_LISTED]:
        mark = "  " if prefix.proposed else "  # "
        kind = "private addresses" if prefix.private else "public addresses"
        behind = f" behind interface {_listed(prefix.interfaces)}" if prefix.interfaces else ""
        told = f"{kind}{behind}, {three_digits(prefix.share)} of what comes from inside"
        yield f'{mark}"{prefix.network}",  # {_with(told, prefix.alternative)}'
    yield "]"
    if len(prefixes) > MAX_LISTED:
        yield f"# {len(prefixes) - MAX_LISTED} more networks with less traffic were seen inside"


def _with(evidence: str, alternative: str | None) -> str:
    return evidence if alternative is None else f"{evidence}; {alternative}"


def _exporters(exporters: tuple[tuple[bytes, float], ...]) -> Iterator[str]:
    known = [(to_text(exporter), share) for exporter, share in exporters if exporter != UNKNOWN_ADDRESS]
    if not known or exporters[0][0] == UNKNOWN_ADDRESS:
        yield '# exporters = ["192.0.2.10"]  # the export does not tell the exporter\'s address'
        return
    (first, share), *others = known
    reason = (
        "the only one in the export" if not others else f"{three_digits(share)} of the octets of the export"
    )
    yield f'exporters = ["{first}"]  # {reason}'
    for address, other in others[:MAX_LISTED]:
        yield f"# {address} exports too: {three_digits(other)} of the octets; left out, as another site's may be"


def _link(link: LinkGuess, draft: Draft) -> Iterator[str]:
    yield "[[link]]"
    told = (
        "as the exporter calls the interface"
        if link.interface_name
        else "made up; give it a name people know"
    )
    yield f"name = {toml_string(link.name)}  # {told}"
    yield f"# role: {link.role}, because {link.guess.reason}; {link.guess.alternative}"
    yield f'role = "{link.role}"'
    if link.interface is None:
        yield "interfaces = []  # the export has no interface numbers: direction comes from lan"
    else:
        yield f"interfaces = [{link.interface}]  # {_sources(link.public_share)}"
    yield f'# {FILL_IN} the rates that the site bought, in Mbit/s, and take away the "#":'
    for key, highest in zip(KEYS, link.highest, strict=True):
        yield f"# {key} =   # the highest seen was {highest.words(CLOCK)}; that is no plan"
    yield 'framing = "ethernet"  # or ip, wire, pppoe: what the plan rate counts for each packet'
    if link.role == "backup":
        yield "variable = true  # a guess, as for cellular: the rate is typical, not guaranteed"
        yield "# allowance_gb = 50  # the plan's monthly data allowance, if it has one"
        yield from _keepalives(link.keepalives, sampled=draft.sampled)


def _sources(public_share: float | None) -> str:
    if public_share is None:
        return "nothing with an address arrived there: a guess by what leaves"
    return f"{three_digits(public_share)} of what arrives there comes from public addresses"


def _keepalives(candidates: tuple[Candidate, ...], *, sampled: bool) -> Iterator[str]:
    if not candidates:
        reason = "the export is sampled" if sampled else "nothing goes out at a steady pace"
        yield f"# no keepalive found ({reason}); if the router sends one, describe it in [[link.keepalive]]"
    for candidate in candidates:
        yield ""
        told = "answers came back" if candidate.answers else "small packets went out"
        records = "1 record" if candidate.records == 1 else f"{candidate.records} records"
        yield (
            f"  [[link.keepalive]]  # {told} at a steady pace, {candidate.packets} packets in {records}; "
            "if it is no probe of this link, take it out"
        )
        yield f'  destination = "{to_text(candidate.destination)}"'
        yield f'  protocol = "{candidate.protocol}"'
        if candidate.port:
            yield f"  port = {candidate.port}"
        yield f"  interval_s = {candidate.interval_s:g}  # measured: {candidate.measured_s:.3g} s (median)"
        if candidate.packet_bytes is not None:
            yield f"  packet_bytes = {candidate.packet_bytes}  # mean IP octets"


def _others(others: tuple[OtherInterface, ...]) -> Iterator[str]:
    if not others:
        return
    yield "# Interfaces that do not look like links (octets as exported):"
    for other in others[:MAX_LISTED]:
        name = f' "{other.name}"' if other.name else ""
        octets = f"{other.octets_in:,} in, {other.octets_out:,} out"
        yield f"#   {other.index}{name}: {octets}; {other.why}"
    if len(others) > MAX_LISTED:
        yield f"#   and {len(others) - MAX_LISTED} more"


def _listed(numbers: tuple[int, ...]) -> str:
    shown = ", ".join(map(str, numbers[:MAX_LISTED]))
    return shown if len(numbers) <= MAX_LISTED else f"{shown} and {len(numbers) - MAX_LISTED} more"


def _time(time_ms: int) -> str:
    return datetime.fromtimestamp(time_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M")
