"""What the findings about a link's load say: (summary, client), actions, doubts. And phrases that all share.

The summary is for an engineer and has the figures; the client sentence has no addresses and no jargon.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from flowdiag.text.action import Action
from flowdiag.text.asked import Asked
from flowdiag.text.clock import DAYS, duration
from flowdiag.text.figures import count, fine_percent, percent, plan_rate, rate
from flowdiag.text.sentences.actions import LINK_FULL, LINK_FULL_BACKUP, LINK_FULL_SHARED, METER_INSIDE
from flowdiag.text.sentences.backup import Said
from flowdiag.text.sentences.devices import ONE_DEVICE, device, named_among, named_device, use
from flowdiag.text.sentences.links import called, whose_line
from flowdiag.text.sentences.seen import AtLimit, Usual
from flowdiag.text.sentences.times import beginning, spells, zoned_span

WAYS: Final = ("download", "upload")
_OTHER_WAY: Final = {"download": "upload", "upload": "download"}
# Shares of the busiest device from which a link was filled by it, or by a few.
MOSTLY_ONE: Final = 0.6
A_FEW: Final = 0.3
FEW: Final = 3

# Doubts

THIN_MARGIN: Final = "The mean is so close to the threshold that it could lie on either side of it."
TYPICAL_RATE: Final = (
    "The plan's rate is only typical for this kind of line; what it can do changes over time."
)
SILENT_PART: Final = "The exporter was silent for a part of this time."
REACHES_THE_END: Final = (
    "It reaches the end of the export, where records of traffic still going on are missing; "
    "it may have gone on longer."
)
SHAPE_ONLY: Final = "These are told to be calls by their packet rate and size alone."
MARKING_UNKNOWN: Final = "The export does not say how packets were marked."
FEW_WINDOWS: Final = "The level was held for a short time only."
ROUGH_LEVEL: Final = "The level is not very flat."


def not_in_bursts(resolution_s: int) -> str:
    return f"Bursts shorter than {count(resolution_s, 'second')} cannot be seen."


def over_plan(share: float) -> str:
    return (
        f"The rate is {percent(share)} of the plan, which a line cannot carry; "
        "the plan rate in the site profile is probably too low."
    )


def offered(share: float) -> str:
    return (
        f"The rate is {percent(share)} of the plan, metered before the link's queue: either more was offered than the full "
        "link carried, or the plan rate in the site profile is too low. Drops at the link's interface speak for the "
        "first, a test in a quiet time that passes the plan for the second."
    )


def over_typical(share: float) -> str:
    return (
        f"The rate is {percent(share)} of the typical rate; at that time the line gave more than usual, "
        "and nothing says that it was all it could give."
    )


def coarser_than_episode(resolution_s: int) -> str:
    return f"Records cover up to {resolution_s} s each, longer than this lasted, so its edges are blurred."


def sampling_error(error: float) -> str:
    return f"Rates come from sampled packets and may be off by {percent(max(error, 0.01))} (95% confidence)."


def records_lost(share: float) -> str:
    return f"{fine_percent(share)} of the records were lost on the way, so rates are lower bounds."


def some_lost(share: float) -> str:
    return f"{fine_percent(share)} of the measurements were lost"


def only_estimated(share: float) -> str:
    return (
        f"What was measured is under the threshold; it is passed only with the {fine_percent(share)} of the records that "
        "were lost on the way added."
    )


def bridged_dip(case: Asked, start_ms: int, end_ms: int) -> str:
    return (
        f"Less was measured at times {zoned_span(case, start_ms, end_ms)}, when records were lost or never sent; it is taken "
        "to have gone on meanwhile."
    )


# Phrases


def name_of(row: Mapping[str, Any]) -> str:
    """ "192.0.2.7 (imaging archive)" of an evidence row."""
    return f"{row['address']} ({row['label']})" if row.get("label") else str(row["address"])


def stands_for_many(row: Mapping[str, Any]) -> bool:
    """Whether the address of an evidence row may be a router's own, with all hosts behind it."""
    return bool(row.get("outside_lan"))


def some_stand_for_many(evidence: Mapping[str, Any]) -> bool:
    """Whether such addresses have a part of a finding's traffic from which on it matters who they are."""
    rows = evidence.get("hosts") or ()
    return bool(sum(row["share"] for row in rows if stands_for_many(row)) >= A_FEW)


def who_did(evidence: Mapping[str, Sequence[Mapping[str, Any]]]) -> str:
    """A sentence on the largest host with its application and destination; empty where nothing is known."""
    hosts = evidence.get("hosts") or ()
    if not hosts:
        return ""
    largest = percent(hosts[0]["share"])
    said = f" {name_of(hosts[0])} had {largest} of it"
    if stands_for_many(hosts[0]):
        said += " (outside the site's networks: a router's own address stands for all hosts behind it)"
    if hosts[0]["share"] < A_FEW and not some_stand_for_many(evidence):
        said = f" No device had more than {largest} of it"
    applications, places = evidence.get("applications") or (), evidence.get("destinations") or ()
    if applications and applications[0]["application"] != "unknown":
        said += f"; {percent(applications[0]['share'])} was {applications[0]['application']}"
    if places and places[0]["share"] >= 0.2:
        said += f"; {percent(places[0]['share'])} was with {name_of(places[0])}"
    return said + "."


_NUMBERS: Final = ("three", "four", "five", "six", "seven", "eight", "nine", "ten")


def compared(usual: Usual | None, mbps: float) -> str:
    """How a rate compares with what is usual, as a sentence; empty where there is nothing to compare with."""
    if usual is None:
        return ""
    hour = usual.local_start.hour
    part = "night" if hour < 6 else "morning" if hour < 12 else "afternoon" if hour < 18 else "evening"
    weekday = usual.local_start.weekday()
    day = DAYS[weekday] if usual.same_weekday else "weekend" if weekday >= 5 else "weekday"
    when = f"for a {day} {part}"
    times = usual.times(mbps)
    if times is None or times >= 20:
        return f" That is far more than usual {when}."
    if not usual.is_unusual(mbps) or times < 1.25:
        return f" That is about what is usual {when}."
    if times < 1.75:
        return f" That is about half as much again as usual {when}."
    if times < 2.5:
        return f" That is about twice the usual {when}."
    number = _NUMBERS[round(times) - 3] if round(times) <= 10 else str(round(times))
    return f" That is about {number} times the usual {when}."


# Findings


def in_spells(parts: Sequence[tuple[int, int]]) -> str:
    return f" in {len(parts)} spells" if len(parts) > 1 else ""


def link_full(
    case: Asked,
    link: int,
    direction: int,
    parts: Sequence[tuple[int, int]],
    evidence: Mapping[str, Any],
    habit: str,
    *,
    over: bool,
    offered: bool = False,
) -> Said:
    """over: it carried clearly more than its plan, so it counts as full, and hardly can have been; offered: or it did
    not carry all that was sent.
    """
    summary = _loaded(case, link, direction, parts, evidence, "over its plan" if over else "full")
    if offered:
        summary += "; either its full queue dropped the rest, or the plan rate on record is too low"
    client = link_full_client(case, link, direction, parts, evidence, over=over)
    return f"{summary}.{_confirming(evidence, direction)}{who_did(evidence)}{habit}", client


def _confirming(evidence: Mapping[str, Any], direction: int) -> str:
    """A sentence on packets that are acknowledgements of the other direction; empty where they are not."""
    if "confirms_mbps" not in evidence:
        return ""
    return f" Nearly all are acknowledgements of {rate(evidence['confirms_mbps'])} of {WAYS[1 - direction]}s."


def short_full(
    case: Asked, limit: AtLimit, parts: Sequence[tuple[int, int]], evidence: Mapping[str, Any]
) -> Said:
    """A link at its limit in spells too short to be sustained."""
    way, name = WAYS[limit.direction], called(case.profile.link[limit.link].name)
    start, end = max(parts, key=lambda spell: spell[1] - spell[0])
    longest = f"{duration(end - start)} from {beginning(case, start, end)} on"
    if len(parts) == 1:
        what = told = f"for {longest}"
    else:
        told = f"in {len(parts)} short spells, the longest of {longest}"
        what = f"{told} ({duration(sum(b - a for a, b in parts))} in all)"
    summary = (
        f"The {way} of {name} was full {what}: {rate(evidence['mean_mbps'])} on average of "
        f"{plan_rate(evidence['capacity_mbps'])}.{who_did(evidence)}"
    )
    return summary, f"Your {whose_line(case, limit.link)}'s {way} was full {told}."


def link_full_client(
    case: Asked,
    link: int,
    direction: int,
    parts: Sequence[tuple[int, int]],
    evidence: Mapping[str, Any],
    *,
    over: bool,
) -> str:
    if evidence.get("maybe_offered"):
        return _sent_more(case, link, direction, parts, evidence)
    if over:
        return _carried_more(case, link, direction, parts, evidence)
    way = WAYS[direction]
    client = (
        f"Your {whose_line(case, link)}'s {way} was full {spells(case, parts)}{_cause(case, evidence, way)}."
    )
    if direction:
        return f"{client} A full upload slows everything, downloads and calls included."
    return f"{client} Everything else has to share what is left then, which makes pages and calls slow."


def link_busy(
    case: Asked,
    link: int,
    direction: int,
    parts: Sequence[tuple[int, int]],
    evidence: Mapping[str, Any],
    habit: str,
    *,
    short_of_full: bool,
) -> Said:
    """short_of_full: nothing says that it may have been full in between."""
    summary = _loaded(case, link, direction, parts, evidence, "busy")
    return (
        f"{summary}{', short of full' if short_of_full else ''}.{who_did(evidence)}{habit}",
        link_busy_client(case, link, direction, parts, evidence, short_of_full=short_of_full),
    )


def link_busy_client(
    case: Asked,
    link: int,
    direction: int,
    parts: Sequence[tuple[int, int]],
    evidence: Mapping[str, Any],
    *,
    short_of_full: bool,
) -> str:
    though = ", though not full" if short_of_full else ""
    named = named_device(case, evidence.get("hosts") or ())
    by = "" if named is None else f", mostly by {WAYS[direction]}s of {named}"
    return (
        f"Your {whose_line(case, link)}'s {WAYS[direction]} was busy {spells(case, parts)}{by}{though}; "
        "short peaks may have slowed things down."
    )


def _loaded(
    case: Asked,
    link: int,
    direction: int,
    parts: Sequence[tuple[int, int]],
    evidence: Mapping[str, Any],
    how: str,
) -> str:
    """The beginning of a summary, without a full stop."""
    way, name = WAYS[direction], called(case.profile.link[link].name)
    start, end = parts[0][0], parts[-1][1]
    return (
        f"The {way} of {name} was {how} {zoned_span(case, start, end)}{in_spells(parts)}: "
        f"{rate(evidence['mean_mbps'])} on average of {plan_rate(evidence['capacity_mbps'])}{_with_lost(evidence)}"
    )


def _with_lost(evidence: Mapping[str, Any]) -> str:
    """The estimate beside the measurement, where records were lost."""
    if "estimated_mean_mbps" not in evidence:
        return ""
    lost = fine_percent(evidence["lost_share"])
    return f" (measured; about {rate(evidence['estimated_mean_mbps'])} with the {lost} of the records that were lost)"


def _sent_more(
    case: Asked, link: int, direction: int, parts: Sequence[tuple[int, int]], evidence: Mapping[str, Any]
) -> str:
    """True of both readings: a full line, and one that is faster than its record says."""
    when = spells(case, parts)
    return (
        f"More was sent over your {whose_line(case, link)}'s {WAYS[direction]} {when} than the rate that we have on "
        f"record for it{_cause(case, evidence, WAYS[direction])}. Either it was full, or it is faster than our record says; "
        "we are checking which."
    )


def _carried_more(
    case: Asked, link: int, direction: int, parts: Sequence[tuple[int, int]], evidence: Mapping[str, Any]
) -> str:
    carried = f"Your {whose_line(case, link)}'s {WAYS[direction]} carried more"
    when = spells(case, parts)
    if case.profile.link[link].variable:
        cause = _cause(case, evidence, WAYS[direction])
        return f"{carried} than its typical rate {when}{cause}. It had little room left, or none."
    return f"{carried} {when} than the rate that we have on record for it, so we cannot say yet whether it was full."


def full_too(
    case: Asked, link: int, direction: int, parts: Sequence[tuple[int, int]], evidence: Mapping[str, Any]
) -> str:
    """For a client who has read of another full direction already."""
    cause = _cause(case, evidence, WAYS[direction])
    return f"Your {whose_line(case, link)}'s {WAYS[direction]} was full too, {spells(case, parts)}{cause}."


def besides(sentence: str) -> str:
    """Another trouble, for a client who has read of the verdict's."""
    return f"Besides, {sentence[:1].lower()}{sentence[1:]}"


def full_for_moments(case: Asked, limit: AtLimit) -> str:
    """For a client who has read of something else: a line that was full too briefly for a finding that is told."""
    spells = f" in {len(limit.spells)} short spells" if len(limit.spells) > 1 else ""
    return (
        f"Besides, your {whose_line(case, limit.link)}'s {WAYS[limit.direction]} was full for "
        f"{duration(limit.total_ms)}{spells} from {beginning(case, *limit.spells[0])} on."
    )


def _cause(case: Asked, evidence: Mapping[str, Any], way: str) -> str:
    hosts = evidence.get("hosts") or ()
    if not hosts:
        return ""
    if hosts[0]["share"] >= MOSTLY_ONE and not stands_for_many(hosts[0]):
        who = device(case, hosts[0])
        what, of = (_OTHER_WAY[way], "the confirmations of ") if "confirms_mbps" in evidence else (way, "")
        whose = f"{who}'s {what}s" if who == ONE_DEVICE else f"{what}s of {who}"
        return f", mostly by {of}{whose}{use(case, evidence)}"
    if some_stand_for_many(evidence):
        return "; the measurements do not tell by which devices"
    by = "a few" if by_a_few(hosts) else "many"
    if "confirms_mbps" in evidence:
        return f", by the confirmations of {_OTHER_WAY[way]}s by {by} devices{named_among(case, hosts)}"
    return f", by {by} devices{named_among(case, hosts)}{use(case, evidence)}"


def by_a_few(hosts: Sequence[Mapping[str, Any]]) -> bool:
    """Whether the largest hosts of an evidence have so much of the octets that the others do not matter."""
    largest = [float(str(host["share"])) for host in hosts[:FEW]]
    return largest[0] >= A_FEW or sum(largest) >= MOSTLY_ONE


def link_full_actions(role: str, evidence: Mapping[str, Any]) -> tuple[Action, ...]:
    """What to do depends on whose traffic it was: one device's can be paused, that of many cannot."""
    if role == "backup":
        return LINK_FULL_BACKUP
    hosts = evidence.get("hosts") or ()
    one = hosts and hosts[0]["share"] >= MOSTLY_ONE and not stands_for_many(hosts[0])
    further = (METER_INSIDE,) if some_stand_for_many(evidence) else ()
    return (*(LINK_FULL if one else LINK_FULL_SHARED), *further)
