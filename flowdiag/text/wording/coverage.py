"""What bounds the figures of a note or a list: one sentence for each code that a Remark has."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Final

from flowdiag.aggregator.remark import Remark

EMPTY: Final = "The export has no flows that can be used."
NO_INTERFACES: Final = "The export has no interface numbers"


def told(remarks: Iterable[Remark]) -> tuple[str, ...]:
    return tuple(_SENTENCES[remark.code](**remark.values) for remark in remarks)


def _said(text: str) -> str:
    return text if text.endswith(".") else f"{text}."


def _no_flows(covers: tuple[str, str] | None) -> str:
    """covers: from when to when the export does, None where it has no flows."""
    if covers is None:
        return EMPTY
    return "No flow lies in this time; the export covers {} to {}.".format(*covers)


def _resolution(seconds: int) -> str:
    return f"The exporter reports long flows every {seconds} s: shorter bursts cannot be seen."


def _resolution_assumed(seconds: int) -> str:
    return (
        f"Too few long flows to tell how often the exporter reports them; {seconds} s is assumed, and shorter bursts "
        "cannot be seen."
    )


def _rolled_up(looked_at: float, left: int) -> str:
    said = "Long time: by sums of minutes and hours"
    if looked_at:
        hours = "1 hour that was" if looked_at == 1 else f"{looked_at:g} hours that were"
        said += f", and by the flows of {hours} worth a look"
    if left:
        more = "1 more hour was" if left == 1 else f"{left} more hours were"
        return f"{said}. {more} worth one; ask for a shorter time to have them looked at."
    return f"{said}."


def _flows_gone(days: int) -> str:
    of_days = "1 day" if days == 1 else f"{days} days"
    return f"Of {of_days} the flows are no longer kept: what is said of them rests on sums alone."


def _sampled(factor: float, error_percent: float) -> str:
    return (
        f"The export is sampled: figures are scaled by {factor:g}; the total has an error of "
        f"about {error_percent:.2g}% from sampling, smaller parts more."
    )


def _frames() -> str:
    return (
        "The octets seem to include Ethernet headers (full packets of more than 1500 octets), "
        "so rates are a little too high."
    )


def _clock(exporter: str | None, offset_ms: int) -> str:
    who = "the exporter" if exporter is None else f"exporter {exporter}"
    way = "behind" if offset_ms > 0 else "ahead of"
    return (
        f"The clock of {who} runs {_length(abs(offset_ms))} {way} the capture's clock; "
        "its times were moved to the capture's clock."
    )


def _length(milliseconds: int) -> str:
    seconds = round(milliseconds / 1000)
    parts = (
        (seconds // 86_400, "d"),
        (seconds // 3600 % 24, "h"),
        (seconds // 60 % 60, "min"),
        (seconds % 60, "s"),
    )
    return " ".join(f"{count} {unit}" for count, unit in parts if count)


def _exporters(number: int) -> str:
    return (
        f"Records of {number} exporters count, because the profile does not say which are the site's "
        "(site.exporters)."
    )


def _links_not_apart() -> str:
    return f"{NO_INTERFACES}: the links cannot be told apart."


def _whose(profile: bool) -> str:
    return "the profile's" if profile else "private"


def _by_networks(named: bool, profile: bool) -> str:
    """named: whether records have interface numbers; profile: whether it names the site's networks."""
    why = "The link's interfaces are not named" if named else NO_INTERFACES
    return f"{why}: up and down follow from {_whose(profile)} networks."


def _link_unseen(link: str, interfaces: Sequence[int], others: Sequence[int]) -> str:
    return f'No record names the interface of link "{link}" ({_listed(interfaces)}); the export has {_listed(others)}.'


def _metered_twice(records: int) -> str:
    return (
        f"Packets are metered at ingress and egress: {_records(records)} of the second metering point did not "
        "count."
    )


def _two_sources(records: int) -> str:
    return (
        f"Two exporters or observation domains report the same packets: {_records(records)} of the lesser one did not "
        "count."
    )


def _translated(records: int, addresses: Sequence[str], more: int) -> str:
    count = "1 record shows" if records == 1 else f"{records} records show"
    return (
        f"The router translates addresses: {count} its own ({_first(addresses, more)}); the host and port "
        "are those of the copy that was metered on the inside."
    )


def _unnamed(addresses: Sequence[str], more: int, share: float, profile: bool) -> str:
    """share: of the links' octets."""
    return (
        f"{_first(addresses, more)}: outside {_whose(profile)} networks, yet the inside "
        f"end of {share:.0%} of the links' octets, and no other copy of these packets names a host. "
        "Where the router translates addresses, its own address stands for all hosts behind it."
    )


def _first(addresses: Sequence[str], more: int) -> str:
    """The first of them, and how many more."""
    return ", ".join(addresses) + (f" and {more} more" if more else "")


def _repeated(records: int) -> str:
    return f"{_records(records)} that repeat others did not count."


def _starts(records: int) -> str:
    return f"The exporter repeats a conversation's start in its later records: {_records(records)} were put in order."


def _lost(records: int, estimate: bool) -> str:
    about = " (an estimate: NetFlow v9 counts messages only)" if estimate else ""
    return f"{_records(records)} {_were(records)} lost on the way{about}: figures are lower bounds."


def _undecoded(sets: int, records: int) -> str:
    waited = f"{sets} data sets waited in vain" if sets != 1 else "1 data set waited in vain"
    return (
        f"{waited} for their template or were damaged: {_records(records)} or more could not be "
        "decoded, so figures are lower bounds. Begin the next capture earlier, so that it holds the templates."
    )


def _without_times(records: int) -> str:
    return f"{_records(records)} without usable times {_were(records)} left out."


def _outliers(records: int) -> str:
    return f"{_records(records)} whose times lie days away from all others {_were(records)} left out."


def _not_ip(records: int) -> str:
    verbs = "is not of IP and counts" if records == 1 else "are not of IP and count"
    return f"{_records(records)} {verbs} on no link."


def _many_addresses(most: int) -> str:
    return f"Beyond {most} distinct addresses, further ones are counted together."


def _problem(file: str, what: str, count: int) -> str:
    times = f" ({count} times)" if count > 1 else ""
    return f"{file}: {what}{times}." if file else f"{what}{times}."


def _damaged_roll_ups(file: str, count: int) -> str:
    """file: the first of them."""
    if count == 1:
        return f"{file}: a damaged roll-up was not used; run ingest --rebuild."
    return f"{file} and {count - 1} more: damaged roll-ups were not used; run ingest --rebuild."


def _no_peaks() -> str:
    return "Of so long a time the store's sums are ranked, which have no peaks: a shorter one has."


def _more_problems(kinds: int) -> str:
    return f"{kinds} more kinds of problems; flowdiag inspect lists them."


def cut(hours: int) -> str:
    """A store held so much that less than a day around the window was read."""
    return (
        f"The store holds too many records to look at a day around the window: {hours} h before and after it were "
        "read."
    )


def _were(count: int) -> str:
    return "was" if count == 1 else "were"


def _records(count: int) -> str:
    return "1 record" if count == 1 else f"{count} records"


def _listed(interfaces: Sequence[int]) -> str:
    return ", ".join(map(str, interfaces))


_SENTENCES: Final[dict[str, Callable[..., str]]] = {
    "said": _said,
    "no-flows": _no_flows,
    "resolution": _resolution,
    "resolution-assumed": _resolution_assumed,
    "rolled-up": _rolled_up,
    "flows-gone": _flows_gone,
    "sampled": _sampled,
    "frames": _frames,
    "clock": _clock,
    "exporters": _exporters,
    "links-not-apart": _links_not_apart,
    "by-networks": _by_networks,
    "link-unseen": _link_unseen,
    "metered-twice": _metered_twice,
    "two-sources": _two_sources,
    "translated": _translated,
    "unnamed": _unnamed,
    "repeated": _repeated,
    "starts": _starts,
    "lost": _lost,
    "undecoded": _undecoded,
    "without-times": _without_times,
    "outliers": _outliers,
    "not-ip": _not_ip,
    "many-addresses": _many_addresses,
    "problem": _problem,
    "damaged-roll-ups": _damaged_roll_ups,
    "no-peaks": _no_peaks,
    "more-problems": _more_problems,
}
