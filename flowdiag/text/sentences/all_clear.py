"""What not-the-link says: what was seen, what was not, and each reason against clearing the line."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil
from typing import Final

from flowdiag.addresses import to_text
from flowdiag.aggregator.labels import label_of
from flowdiag.text.action import Action
from flowdiag.text.asked import Asked
from flowdiag.text.clock import duration
from flowdiag.text.figures import count, percent, plan_rate, rate
from flowdiag.text.sentences.beyond import ELSEWHERE, UDP
from flowdiag.text.sentences.devices import device
from flowdiag.text.sentences.links import called, whose_line
from flowdiag.text.sentences.load import WAYS
from flowdiag.text.sentences.seen import (
    AtLimit,
    DeadService,
    Doubt,
    EvenTransfers,
    HeldLevel,
    Room,
    UnusualRate,
)
from flowdiag.text.sentences.times import beginning, clock, span, zoned_span
from flowdiag.text.sentences.verdict import LOOK_AT_THE_MOMENT, LOOK_AT_THE_SERVICE, LOOK_NEXT


def not_the_link(
    case: Asked,
    room: Sequence[Room],
    reached: Sequence[AtLimit],
    cut: Sequence[tuple[int, int]],
    level: str,
    doubts: Sequence[Doubt],
    missed: Sequence[DeadService] = (),
) -> str:
    """What was seen, what was not, and where to look next. Only with high confidence the line is cleared.

    room: the fullest direction of each link that carried something, the fullest first; reached: limits reached for a
    short time, the longest first; cut: [start, end) of times in which nothing came in; doubts: the weightiest first;
    missed: services that did not answer.
    """
    when = span(case, *case.window_ms) if case.window_given else "in the time that was measured"
    line = whose_line(case, room[0].link) if room else "line"
    if reached or cut:
        said = _apart_from(case, reached, cut, line, when)
    elif level == "high":
        said = f"{_cleared(line, case)} {_used(room, when)}."
    else:
        used = f"was used up to {_highest(room[0])}" if room else "carried next to nothing"
        asked = f" {when}" if case.window_given else ""
        said = f"As far as it was measured, your {line} {used}{asked}".rstrip(",") + "."
    unseen = list(dict.fromkeys(doubt.client for doubt in doubts if doubt.client and doubt.weight))
    if unseen:
        said += f" We cannot be sure: {listed(unseen[:MOST_REASONS])}."
    if case.is_audit:
        return said
    return said + (LOOK_AT_THE_MOMENT if cut else LOOK_AT_THE_SERVICE if missed else LOOK_NEXT)


def _cleared(line: str, case: Asked) -> str:
    """How a sentence on a line with room begins; without a complaint there is no cause to speak of."""
    return f"Your {line} had room: it" if case.is_audit else f"Your {line} was not the cause: it"


def _used(room: Sequence[Room], when: str) -> str:
    if not room:
        return f"carried next to nothing {when}"
    return f"was never used above {percent_up(room[0].upper)} {when}"


def _highest(room: Room) -> str:
    measured, upper = percent_up(room.share), percent_up(room.upper)
    return measured if measured == upper else f"{measured}, about {upper} with what was lost,"


def _apart_from(
    case: Asked,
    reached: Sequence[AtLimit],
    cut: Sequence[tuple[int, int]],
    line: str,
    when: str,
) -> str:
    """A line that was full, or cut off, for moments; no highest use is claimed beside them."""
    parts = []
    if reached:
        limit = reached[0]
        spells = sum(len(one.spells) for one in reached)
        what = f"its {WAYS[limit.direction]} was full" if limit.link == _first(case) else "a line was full"
        if spells == 1:
            parts.append(
                f"{duration(limit.longest_ms)} from {beginning(case, *limit.longest)} on, in which {what}"
            )
        else:
            parts.append(
                f"{spells} short spells in which it was full, the longest of {duration(limit.longest_ms)} "
                f"from {beginning(case, *limit.longest)} on"
            )
    if cut:
        parts.append(_cut(case, cut))
    return (
        f"Apart from {' and '.join(parts)}, your {line} was not full {when}. That may have been felt, but it does not "
        "explain a longer trouble."
    )


def _cut(case: Asked, cut: Sequence[tuple[int, int]]) -> str:
    start, end = max(cut, key=lambda pair: pair[1] - pair[0])
    times = f", and {len(cut) - 1} more like it" if len(cut) > 1 else ""
    return f"{duration(end - start)} from {beginning(case, start, end)} on, in which nothing came in{times}"


def nothing_came_in(case: Asked, cut: Sequence[tuple[int, int]]) -> str:
    """For the client, beside a verdict about something else; cut: not empty, as for not_the_link."""
    return f"Besides, there were {_cut(case, cut)}; the connection may have been interrupted then."


def _first(case: Asked) -> int:
    """The first primary link, of which "your line" speaks."""
    roles = [link.role for link in case.profile.link]
    return roles.index("primary") if "primary" in roles else 0


def listed(parts: Sequence[str]) -> str:
    """Clauses one after another, as a sentence has them."""
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + ", and " + parts[-1]


# Clauses for the client: what speaks against clearing the line.
MOST_REASONS: Final = 2
EVEN: Final = "what ran held one even rate, as it also would on a line slower than its plan"
VARIES: Final = "what this kind of line can carry changes over time"
RESTARTED: Final = "the measuring router restarted in that time"
MAY_BE_MORE: Final = "with what was lost it may have been busier"
CLOSE_TO_BUSY: Final = "short peaks may have filled it"
UNUSUAL: Final = "unusually many packets or connection attempts were seen"
MAY_BE_OPEN: Final = "a long transfer that was still running may not have been measured yet"
MAY_BE_OPEN_REASON: Final = (
    "Too few long flows to tell after how long the exporter reports them; one that was still running when the export ends, "
    "up to 30 minutes long as a rule, may be missing from it altogether."
)
SAMPLED: Final = "only a sample of the traffic was measured"


def not_all_measured(covered: float) -> str:
    return f"only {percent(covered)} of that time was measured"


def bursts_hidden(resolution_s: int) -> str:
    return f"bursts shorter than {duration(resolution_s * 1000)} do not show"


def restart_reason(case: Asked, start_ms: int, end_ms: int) -> str:
    return (
        f"The exporter restarted: nothing is known {zoned_span(case, start_ms, end_ms)}, and what it had not reported "
        "before is lost."
    )


def cut_reason(case: Asked, start_ms: int, end_ms: int) -> str:
    return (
        f"Nothing came in over any link {zoned_span(case, start_ms, end_ms)} ({duration(end_ms - start_ms)}), which is "
        "unlike this site."
    )


def busy_with_lost(upper: float) -> str:
    return f"With the records that were lost, the highest use may have been {percent_up(upper)}."


def nearly_busy(peak_window_s: float) -> str:
    return (
        f"The highest {duration(peak_window_s * 1000)} are close to busy; bursts within them may have filled the line for "
        "seconds."
    )


def at_limit_reason(case: Asked, limit: AtLimit) -> str:
    """At the records' own resolution."""
    name, covered = case.profile.link[limit.link].name, duration(limit.covered_ms)
    total, longest = duration(limit.total_ms), duration(limit.longest_ms)
    stretch = "" if limit.total_ms == limit.longest_ms else f", {longest} of it at a stretch"
    return (
        f"{name} {WAYS[limit.direction]} was at its limit ({rate(limit.rate_mbps)} on average) for {total} of the {covered} "
        f"looked at{stretch}, from {beginning(case, *limit.longest)} on; too short to be called a full link."
    )


def even_reason(case: Asked, even: EvenTransfers) -> str:
    name, way = case.profile.link[even.link].name, WAYS[even.direction]
    return (
        f"{name} {way} stood at {rate(even.rate_mbps)} {zoned_span(case, even.start_ms, even.end_ms)}, divided "
        f"equally by {count(even.transfers, 'transfer')}: streams of one kind do so, and so does a line that gives "
        "less than its plan."
    )


def held_reason(case: Asked, held: Sequence[HeldLevel]) -> str:
    """held: not empty, the most telling first."""
    level = held[0]
    plan, way = case.profile.link[level.link], WAYS[level.direction]
    rated = "typical rate" if plan.variable else "plan"
    transfers = count(level.transfers, "transfer")
    said = (
        f"{called(plan.name)} {way} {'wandered around' if level.wanders else 'stood at'} {rate(level.rate_mbps)}, "
        f"{percent(level.share)} of the {rated}, for {duration(level.end_ms - level.start_ms)} from "
        f"{beginning(case, level.start_ms, level.end_ms)} on, "
    )
    shown = "rose and fell together" if level.wanders else "gave way to each other"
    if level.is_the_lines:
        said += (
            f"while {transfers} {shown}: they shared something that gave no more, as a line does that gives less "
            f"than its {rated}."
        )
    elif level.gives_way:
        said += (
            f"while {transfers} {shown}: a server or a device that they share does so, and so does a line that gives "
            f"less than its {rated}."
        )
    else:
        said += (
            f"held by {transfers}: the far end or the device may have set that rate, and so may a line that gives "
            f"less than its {rated}."
        )
    return said + (f" {count(len(held) - 1, 'more such level')} in that time." if len(held) > 1 else "")


MINUTE_S: Final = 60.0


def unusual_reason(case: Asked, rates: Sequence[UnusualRate]) -> str:
    """rates: not empty."""
    return " ".join(_unusual(case, rate) for rate in rates)


def _unusual(case: Asked, one: UnusualRate) -> str:
    at = clock(case, one.at_ms)
    usual = "" if one.usual is None else f" (usual: {one.usual:,.0f})"
    if one.what == "half-open":
        return (
            f"{one.most:,} connections in the minute of {at} were opened from outside and stayed half open{usual}; that "
            "can slow a router or a server while the line has room."
        )
    if one.what == "unanswered":
        return f"{one.most:,} of {one.tried:,} attempts in the ten minutes from {at} got no answer{usual}."
    if one.what == "packets":
        name, way = called(case.profile.link[one.link or 0].name), WAYS[one.direction or 0]
        return (
            f"{name} {way} carried {one.most:,} small packets a second more at {at} than the other direction "
            f"matches{usual}."
        )
    return f"One address of the site tried {one.most:,} outside addresses in vain within ten minutes, from {at} on."


def dead_reason(case: Asked, one: DeadService) -> str:
    """What one host tried in vain, and where; whether it weighs or is a habit."""
    known = case.flows.addresses
    host, place = (_with_label(case, known[index]) for index in (one.host, one.destination))
    kind, number = (
        ("requests", f"UDP port {one.port}") if one.protocol == UDP else ("attempts", f"port {one.port}")
    )
    said = (
        f"{host} got no answer from {place}, {number}, to {one.failed:,} of {one.tried:,} {kind} "
        f"{zoned_span(case, one.start_ms, one.end_ms)}"
    )
    return said + ("." if one.weighs else ", nor at other times, beside much that was answered.")


def dead_clause(case: Asked, one: DeadService) -> str:
    """For the client."""
    who = device(case, {"address": to_text(case.flows.addresses[one.host])})
    if one.failed < one.tried:
        return f"{who} got no answer to {one.failed:,} of {one.tried:,} attempts at one service"
    return f"{who} got no answer from a service that it tried {one.failed:,} times"


def try_elsewhere(case: Asked, missed: Sequence[DeadService]) -> tuple[Action, ...]:
    """What to do about services that did not answer; nothing where there are none."""
    known = case.flows.addresses
    tests = []
    for one in missed:
        number = f"UDP port {one.port}" if one.protocol == UDP else f"port {one.port}"
        place, host = (_with_label(case, known[index]) for index in (one.destination, one.host))
        tests.append(
            Action("helpdesk", f"Test {place}, {number}, from another place: {host} got no answer there.")
        )
    return (*tests, *ELSEWHERE[1:]) if tests else ()


def _with_label(case: Asked, address: bytes) -> str:
    label, text = label_of(case.profile, address), to_text(address)
    return f"{text} ({label})" if label else text


def percent_up(share: float) -> str:
    """Whole per cent rounded up: "never above" has to hold. What arithmetic leaves behind a millionth is no more."""
    return f"{ceil(round(share * 100, 6))}%"


def room_reason(case: Asked, room: Room) -> str:
    name, upper = case.profile.link[room.link].name, percent_up(room.upper)
    return (
        f"{name} {WAYS[room.direction]}: at most {rate(room.peak_mbps)} of {plan_rate(room.capacity_mbps)} "
        f"({percent_up(room.share)}) in any {per_window(room.peak_window_s)}, at {clock(case, room.peak_ms)}"
        + (f"; about {upper} with what was lost." if upper != percent_up(room.share) else ".")
    )


def per_window(seconds: float) -> str:
    """ "minute", or "10 seconds": the length of the windows that a figure is about."""
    return "minute" if seconds >= MINUTE_S else duration(seconds * 1000)
