"""Conversations that a silence of all links interrupted: they stopped where it began and went on after it.

People pause, each in their own time; a tunnel, a remote session and a stream that had run without a pause, for different
devices and with different destinations, do not stop together and go on together unless something that they share failed. Their
records show as well that the exporter was alive: the last one before the silence is shorter than the active timeout, so that
it ended because no packet came (RFC 7011 5.1.1 names the reasons to end a flow), or the pause is no multiple of it, while a
silent exporter leaves out whole records.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import DOWN, SiteFlows
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.conversations import ICMP, ICMPV6, conversation_keys, distinct, sees_downloads
from flowdiag.diagnoser.signals.cut_off import scene
from flowdiag.diagnoser.signals.shares import lies_in

# Packets of a running conversation are this near to each other (common practice, no source).
STOPS_WITHIN_MS: Final = 3_000
# Who sends again waits longer each time: it may go on as late again as the silence lasted (RFC 6298 5.5), within limits.
RESUMES_WITHIN_MS: Final = (10_000, 120_000)
# A conversation that paused for such a part of the silence at another time pauses by habit.
PAUSES: Final = 0.5
# It must have run so many times as long as the silence, in all.
RAN_TIMES: Final = 2.0
# A record this much shorter than the conversation's longest was not ended by the active timeout: routers look once a second.
CUT_SHORT_MS: Final = 2_000
CUT_SHORT: Final = 0.2
LEAST: Final = 2
# Where no address of a device is seen, one device may be behind two conversations.
LEAST_OF_NOBODY: Final = 3
# A single one proves it where the silence of all others is by itself so unlikely, and of so many hosts.
OTHERS_LIKELY: Final = 1e-6
OTHER_HOSTS: Final = 3
AROUND_MS: Final = 3_600_000
# More rows than these of a few conversations are cut to them: the habit shows in them too.
MOST_CONVERSATIONS: Final = 200
FEW: Final = 64  # rows


def interrupted(case: Case, start: int, end: int, silences: Sequence[tuple[int, int]]) -> bool:
    """Whether conversations that [start, end) interrupted prove that something they share failed.

    silences: of all links, this one among them; a conversation may have stopped in the others too.
    """
    rows = _of_conversations_on_both_sides(case, start, end)
    if not len(rows):
        return False
    keys = conversation_keys(case.flows, rows)
    cut = []
    for key in np.unique(keys)[:MOST_CONVERSATIONS]:
        conversation = rows[keys == key]
        conversation = conversation[np.argsort(case.flows.start_ms[conversation], kind="stable")]
        if _was_cut(case, conversation, start, end, silences):
            cut.append(conversation)
    return _by_several(case, cut) or any(_by_one(case, conversation, start, end) for conversation in cut)


def _by_several(case: Case, cut: Sequence[NDArray[np.intp]]) -> bool:
    """cut: the rows of each interrupted conversation."""
    flows, lan = case.flows, case.profile.site.lan
    hosts, destinations = (
        {int(ends[conversation[0]]) for conversation in cut} for ends in (flows.inside, flows.outside)
    )
    known = [host for host in hosts if not lan or lies_in(flows.addresses[host], lan)]
    enough = len(known) >= LEAST or (not known and len(cut) >= LEAST_OF_NOBODY)
    return enough and len(destinations) >= LEAST


def _by_one(case: Case, conversation: NDArray[np.intp], start: int, end: int) -> bool:
    """Whether the silence of all but one interrupted conversation is by itself too unlikely to be people's."""
    view, flows = scene(case), case.flows
    others = view.came.copy()
    others[conversation] = False
    around = others & (flows.end_ms >= start - AROUND_MS) & (flows.start_ms < end + AROUND_MS)
    if distinct(flows.inside[around], len(flows.addresses)) < OTHER_HOSTS:
        return False
    carried = view.grid.covering(flows.start_ms, flows.end_ms, others) > 0
    first, last, before, stop = view.grid.bin_of(
        np.array([start, end, start - AROUND_MS, end + AROUND_MS])
    ).tolist()
    first_ms, last_ms = case.coverage.first_ms or 0, case.coverage.last_ms or 0
    begins, ends = view.grid.bin_of(np.array([first_ms, last_ms])).tolist()
    beside = np.concatenate([carried[max(before, begins) : first], carried[last + 1 : min(stop, ends) + 1]])
    habit = float(beside.mean()) if len(beside) else 0.0
    return bool((1.0 - habit) ** max(last - first - 1, 1) <= OTHERS_LIKELY)


def _of_conversations_on_both_sides(case: Case, start: int, end: int) -> NDArray[np.intp]:
    """All rows, of what came in, of conversations that stop where a silence begins and go on after it."""
    flows, came = case.flows, scene(case).came
    if not sees_downloads(flows):
        return np.zeros(0, np.intp)
    least, most = RESUMES_WITHIN_MS
    late = min(max(end - start, least), most)
    before = np.flatnonzero(came & (flows.end_ms >= start - STOPS_WITHIN_MS) & (flows.end_ms <= start))
    after = np.flatnonzero(came & (flows.start_ms >= end) & (flows.start_ms <= end + late))
    if not len(before) or not len(after):
        return before[:0]
    if len(before) + len(after) <= FEW and _conversations(flows, before).isdisjoint(
        _conversations(flows, after)
    ):
        return before[:0]
    stopping, going_on = np.split(conversation_keys(flows, np.concatenate([before, after])), [len(before)])
    keys = np.intersect1d(stopping, going_on)
    if not len(keys):
        return before[:0]
    stopped = before[np.isin(stopping, keys)]
    near = np.zeros(len(flows.addresses), np.bool_)
    near[flows.outside[stopped]] = True
    rows = np.flatnonzero(came & (flows.direction == DOWN) & near[flows.outside])
    return rows[np.isin(conversation_keys(flows, rows), keys)]


def _conversations(flows: SiteFlows, rows: NDArray[np.intp]) -> set[tuple[int, ...]]:
    """What conversation_keys() is made of: of a few rows it costs less, and quiet sites have silences by the hundred."""
    columns = (flows.inside, flows.outside, flows.protocol, flows.inside_port, flows.outside_port)
    found = zip(*(column[rows].tolist() for column in columns), strict=True)
    return {ends[:3] if ends[2] in (ICMP, ICMPV6) else ends for ends in found}


def _was_cut(
    case: Case, rows: NDArray[np.intp], start: int, end: int, spans: Sequence[tuple[int, int]]
) -> bool:
    """Whether one conversation (its rows in order of time) ran without a pause apart from the spans, and [start, end) is no
    row of its whole records that are missing: the last one before is cut short, or the pause is none of so many of them.
    """
    begins, ends = case.flows.start_ms[rows], np.maximum.accumulate(case.flows.end_ms[rows])
    gaps = begins[1:] - ends[:-1]
    here = (ends[:-1] <= start) & (begins[1:] >= end)
    if not here.any():
        return False
    silence = end - start
    excused = here.copy()
    for low, high in spans:
        excused |= (np.minimum(begins[1:], high) - np.maximum(ends[:-1], low)) > (high - low) * PAUSES
    if (gaps[~excused] >= PAUSES * silence).any():
        return False
    ran = int(ends[-1] - begins[0]) - int(np.maximum(gaps, 0).sum())
    if ran < RAN_TIMES * silence:
        return False
    lengths = case.flows.end_ms[rows] - begins
    last = int(np.flatnonzero(here)[0])
    usual = max(int(np.delete(lengths, last).max()), 1)
    least = min(CUT_SHORT_MS, CUT_SHORT * usual)
    beyond = int(gaps[last]) % usual
    return bool(lengths[last] < usual - least or least < beyond < usual - least)
