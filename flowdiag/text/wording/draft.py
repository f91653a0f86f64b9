"""The comments of a drafted profile: what each guess rests on, and what would hold otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from flowdiag.aggregator.plan_rates import LEAST_SHOWN_MBPS
from flowdiag.text.figures import RATE_UNIT, three_digits

FILL_IN: Final = "FILL IN"


def head(span: str) -> tuple[str, ...]:
    return (
        "A site profile drafted from an export: what a comment explains is a guess. Check each one, and",
        f"replace what is marked {FILL_IN}: an export does not tell it.",
        f"The export covers {span}.",
    )


NO_TIME: Final = "no time that can be read"
SITE_NAME: Final = "New site"
NAME: Final = f"{FILL_IN}: what the site is called in notes"
TIMEZONE: Final = f'{FILL_IN}: the IANA name, such as "Pacific/Auckland"'
HOURS: Final = "working hours, if an outage at night should not count"
NO_LAN: Final = f"{FILL_IN} lan: no network could be told to be inside for certain"
NO_EXPORTER: Final = "the export does not tell the exporter's address"
ONLY_EXPORTER: Final = "the only one in the export"
CALLED_SO: Final = "as the exporter calls the interface"
MADE_UP: Final = "made up; give it a name people know"
NO_INTERFACES: Final = "the export has no interface numbers: direction comes from lan"
RATES: Final = f'{FILL_IN} the rates that the site bought, in Mbit/s, and take away the "#":'
FRAMING: Final = "or ip, wire, pppoe: what the plan rate counts for each packet"
VARIABLE: Final = "a guess, as for cellular: the rate is typical, not guaranteed"
ALLOWANCE: Final = "the plan's monthly data allowance, if it has one"
MEAN_OCTETS: Final = "mean IP octets"
OTHERS: Final = "Interfaces that do not look like links (octets as exported):"
LABELS: Final = "Names for addresses and networks make notes easier to read:"
LABEL_NAME: Final = "backup service"


def span(begin: str, end: str) -> str:
    return f"{begin} to {end} (UTC)"


def inside(private: bool, interfaces: str, share: float) -> str:
    """interfaces: behind which a network was seen, empty where that is not known."""
    kind = "private addresses" if private else "public addresses"
    behind = f" behind interface {interfaces}" if interfaces else ""
    return f"{kind}{behind}, {three_digits(share)} of what comes from inside"


def more_inside(networks: int) -> str:
    return f"{networks} more networks with less traffic were seen inside"


def exporter(share: float) -> str:
    return f"{three_digits(share)} of the octets of the export"


def other_exporter(address: str, share: float) -> str:
    return f"{address} exports too: {three_digits(share)} of the octets; left out, as another site's may be"


def role(name: str, reason: str, alternative: str) -> str:
    return f"role: {name}, because {reason}; {alternative}"


def highest(mbps: float, length_ms: int, since: str) -> str:
    """The highest rate of a link; since: when the window that had it began."""
    if mbps < LEAST_SHOWN_MBPS:
        seen = f"{'under ' if mbps else ''}{mbps and LEAST_SHOWN_MBPS:g} {RATE_UNIT}"
    else:
        seen = f"{mbps:.3g} {RATE_UNIT} over the {length_ms / 1000:g} s from {since}"
    return f"the highest seen was {seen}; that is no plan"


def sources(public_share: float | None) -> str:
    if public_share is None:
        return "nothing with an address arrived there: a guess by what leaves"
    return f"{three_digits(public_share)} of what arrives there comes from public addresses"


def no_keepalive(*, sampled: bool) -> str:
    reason = "the export is sampled" if sampled else "nothing goes out at a steady pace"
    return f"no keepalive found ({reason}); if the router sends one, describe it in [[link.keepalive]]"


def keepalive(packets: int, records: int, *, answers: bool) -> str:
    told = "answers came back" if answers else "small packets went out"
    return (
        f"{told} at a steady pace, {packets} packets in {records} {'record' if records == 1 else 'records'}; "
        "if it is no probe of this link, take it out"
    )


def measured(seconds: float) -> str:
    return f"measured: {seconds:.3g} s (median)"


def other_interface(octets_in: int, octets_out: int, why: str) -> str:
    return f"{octets_in:,} in, {octets_out:,} out; {why}"


def and_more(left: int) -> str:
    return f"and {left} more"


# Why a link is the primary one, or a backup; and what it would be if the time that was seen was an exception.

ONLY_LINK: Final = "the only link seen"
IF_ANOTHER: Final = (
    "a link over which nothing went does not show: if there is one, it is missing here, and if the site was on its "
    "backup in this time, this one is the backup"
)
IF_ON_BACKUP: Final = "if the site was on its backup in this time, this one may be the backup"
NAMED_LIKE_A_LINE: Final = "and no other interface is named like a line and not like a backup"
OTHER_PROBED: Final = "while the other carried small packets at regular intervals"
MOST_OCTETS: Final = "and the most octets"
LONGEST: Final = "longer than any other link"
EARLIEST: Final = "before any other link"
IF_IN_USE: Final = "if both lines are in use all day, this one is primary"
IF_ON_OTHER_DAYS: Final = "if it is in use on other days, this one is primary"
IF_MEANT: Final = "if that traffic is meant to be there, this one is primary"
IF_NOT_MEANT: Final = "if that traffic is not meant to be there, this one is a backup"
_UNDER: Final = "under 0.1%"


def use(share: float, minutes: str, of_minutes: str) -> str:
    """share: of the octets of all links; minutes: with ordinary traffic."""
    part = three_digits(share) if share >= 0.001 else _UNDER
    return (
        f"it carried {part} of the octets of all links, ordinary traffic in {minutes} of {of_minutes} minutes"
    )


def joined(used: str, why: str) -> str:
    return f"{used}, {why}"


def named_like_a_backup(used: str) -> str:
    return f"its interface is named like a cellular or backup link; {used}"


def nothing_in(minutes: str) -> str:
    return f"it carried no ordinary traffic in {minutes} minutes"


def while_none(other: str, times: str, *, only: bool) -> str:
    return f"it carried ordinary traffic {'only' if only else 'nearly only'} while {other} carried none ({times})"


def less_often(used: str, other: str) -> str:
    return f"{used}, far less often than {other}"


def leaks(used: str) -> str:
    return f"{used}, beside small packets at regular intervals, as when something leaks onto a backup"


def shares_load(used: str, other: str) -> str:
    return f"{used}, mostly together with {other}, as when links share the load"


def times(spells: Sequence[tuple[str, str]], left: int) -> str:
    """14:05 to 14:27, 15:01 to 15:20 UTC; left: how many more."""
    told = ", ".join(f"{begin} to {end}" for begin, end in spells)
    return f"{told}{f' {and_more(left)}' if left > 0 else ''} UTC"


# Why an interface is no link, and when it is one all the same.

NOTHING_ARRIVED: Final = (
    "nothing arrived there, as at a port that mirrors traffic; a link only if it is a backup whose probes get no "
    "answer"
)
TRANSLATED: Final = (
    "what came from inside left to the links and the other way, octet for octet, as at the place where a router "
    "translates addresses; a link only if it has a line of its own"
)
LESS_TRAFFIC: Final = "less traffic than the links above; a link if it is a line of the site"


def from_private(share: float) -> str:
    return (
        f"{three_digits(share)} of what arrived came from private addresses; a link only if the provider uses such addresses "
        "on it"
    )


def fewer_networks(interface: int | None) -> str:
    return (
        f"public addresses of fewer networks than at interface {interface}, with which it exchanged traffic, as servers of "
        "the site do; a link only if those are somebody else's"
    )


# What else a network may be.

CARRIERS: Final = (
    'shared by carriers (RFC 6598), so the router\'s own; inside only in an overlay: take away the "#"'
)
ROUTERS_OWN: Final = (
    'the router\'s own address after translation; if the site has servers there, take away the "#"'
)
IF_ROUTERS_OWN: Final = "if it is only the router's own address after translation, leave it out"
