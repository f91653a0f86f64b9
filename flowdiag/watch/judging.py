"""What a case tells of a site: what it was on in every minute, and which findings are worth telling.

Nothing is decided anew here: findings are the diagnoser's, with their thresholds; states of links are those of the note's band
(diagnoser/signals/link_bands.py).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from itertools import chain, pairwise
from typing import Final, get_args

import numpy as np
from numpy.typing import NDArray

from flowdiag.diagnoser.attacked import left_to_security
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.diagnose import SEVERITIES, in_order
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.kinds import KINDS
from flowdiag.diagnoser.long_time import long_time_findings
from flowdiag.diagnoser.signals.failovers import STILL_MS, failovers
from flowdiag.diagnoser.signals.keepalives import IDLE_TIMEOUT_MS
from flowdiag.diagnoser.signals.link_bands import link_bands
from flowdiag.diagnoser.signals.link_states import CARRYING, primaries
from flowdiag.diagnoser.signals.silences import silences
from flowdiag.diagnoser.signals.timeline import runs
from flowdiag.durations import MINUTE_MS
from flowdiag.text.sentences.load import who_did
from flowdiag.watch.state import GRAVEST_FIRST, Mark, On, Spell

# Findings that say how traffic is made up, or by which way it came, are for whoever reads a note.
UNTOLD: Final = frozenset({"single-host", "keepalive-irregular", "asymmetric-path"})
# A pause shorter than this is what using a line is like. (Common practice, no source.)
PAUSE_MS: Final = 10 * MINUTE_MS
# Flows that are open are exported later: what ended so shortly before the records do may go on.
OPEN_MS: Final = STILL_MS
MOST_MARKS: Final = 40
# So long nobody at a small office may do anything, by chance. (Common practice, no source.)
LEAST_UNTRIED_MS: Final = 8 * MINUTE_MS
# Two datagrams have room for as many records (1,400 octets of some 50 each).
LEAST_LOST: Final = 60
# That a message was lost is told by those after it, and counted once late ones have had their time: by then the collector has
# handed on twice. (Common practice, no source.)
LOSS_TOLD_MS: Final = 3 * MINUTE_MS
KEEPALIVES: Final = frozenset({"keepalive-missing", "keepalive-unanswered"})
_ONS: Final[tuple[On, ...]] = get_args(On)
_OF_WHOM: Final = frozenset({"backup-leak"})
_BY_FINDING: Final[dict[str, On]] = {"on-backup": "backup", "outage": "down"}


def found(case: Case, only: Collection[str] | None = None) -> tuple[Finding, ...]:
    """The findings that are told, most severe first. only: codes of those that are looked for, None for all."""
    if case.sums is not None:
        every = long_time_findings(case)
    else:
        finders = (
            kind.find
            for kind in KINDS
            if kind.find is not None and kind.code not in UNTOLD and (only is None or kind.code in only)
        )
        every = list(chain.from_iterable(find(case) for find in finders))
    ordered = in_order(case, left_to_security(every))
    return tuple(
        one
        for one in ordered
        if one.severity != "info"
        and one.code not in UNTOLD
        and not _may_be_people(one)
        and not _is_few_lost(one)
        and not _may_be_one_record(case, one)
    )


def _may_be_people(finding: Finding) -> bool:
    """An outage that the backup's answers speak against, or in which nothing was tried and that is short, may as well be people
    who pause or went home: a note says so, a message cannot."""
    if finding.code != "outage" or finding.start_ms is None or finding.end_ms is None:
        return False
    untried = finding.evidence["at_work_shown_by"] in ("abrupt", "hours")
    return finding.confidence == "low" or (untried and finding.end_ms - finding.start_ms < LEAST_UNTRIED_MS)


def _is_few_lost(finding: Finding) -> bool:
    """A datagram or two, of an exporter that hardly sends any: many of its records, or a pause twice as long, but no sign of
    trouble on the way. A silence in which nothing was lost is told while it lasts (not_heard.py)."""
    evidence = finding.evidence
    return (
        finding.code == "export-gap" and "restarted" not in evidence and evidence["lost_records"] < LEAST_LOST
    )


def _may_be_one_record(case: Case, finding: Finding) -> bool:
    """Keepalives that would be in one record, while nobody knows yet whether that was lost: who looks each minute sees the end of
    the records each minute, and somewhere one is lost each minute. The one after it is open, or not exported yet."""
    if finding.code not in KEEPALIVES or finding.start_ms is None or finding.end_ms is None:
        return False
    untold = finding.end_ms >= case.window_ms[1] - LOSS_TOLD_MS
    return (
        untold
        and finding.end_ms - finding.start_ms <= 2 * case.coverage.resolution_s * 1000 + IDLE_TIMEOUT_MS
    )


def marks(case: Case, findings: Sequence[Finding], end_ms: int) -> tuple[Mark, ...]:
    """The findings of a case whose records end at end_ms, gravest first."""
    begin_ms = case.window_ms[0]
    open_ms = max(OPEN_MS, case.coverage.resolution_s * 1000 + MINUTE_MS)
    known_ms = begin_ms if case.coverage.first_ms is None else case.coverage.first_ms
    told = []
    for finding in findings:
        start = begin_ms if finding.start_ms is None else finding.start_ms
        stop = end_ms if finding.end_ms is None else finding.end_ms
        told.append(
            Mark(
                code=finding.code,
                severity=finding.severity,
                confidence=finding.confidence,
                link=finding.link,
                direction=finding.direction,
                began_ms=start,
                ended_ms=stop if _is_over(finding, stop, end_ms - open_ms) else None,
                before=start < known_ms + open_ms,
                client=finding.client,
                summary=finding.summary,
                who=who_did(finding.evidence).strip() if finding.code in _OF_WHOM else "",
                octets=finding.evidence.get("octets") if finding.code in _OF_WHOM else None,
            )
        )
    return tuple(sorted(told, key=_rank)[:MOST_MARKS])


def _is_over(finding: Finding, stop: int, still_ms: int) -> bool:
    """Whether a finding that ends at `stop` had ended; some say themselves whether they go on."""
    evidence = finding.evidence
    goes_on = evidence.get("still_on_backup", evidence.get("ongoing_at_end_of_export"))
    return stop < still_ms if goes_on is None else not goes_on


def _rank(mark: Mark) -> tuple[int, int, int, str, str, str]:
    place = GRAVEST_FIRST.index(mark.standing)
    return (
        place,
        SEVERITIES.index(mark.severity),
        mark.began_ms,
        mark.code,
        mark.link or "",
        mark.direction or "",
    )


def spells(case: Case, findings: Sequence[Finding], end_ms: int) -> tuple[Spell, ...]:
    """What the site was on from the window's begin to end_ms, in order and without a gap."""
    step, begin_ms = case.usage.window_ms, case.window_ms[0]
    first = begin_ms // step
    states = np.full(max(-(-end_ms // step) - first, 1), _ONS.index("unknown"), np.int8)
    shift = case.usage.start_ms // step - first
    here = np.arange(len(states))
    here = here[(here >= shift) & (here < shift + case.usage.windows)]
    states[here] = _in_windows(case)[here - shift]
    _bridge(states, PAUSE_MS // step)
    for (start, stop), on in _certain(case, findings):
        states[max(start // step - first, 0) : max(-(-stop // step) - first, 0)] = _ONS.index(on)
    edges = [0, *(np.flatnonzero(np.diff(states)) + 1).tolist(), len(states)]
    return tuple(
        Spell(_ONS[states[a]], max((first + a) * step, begin_ms), min((first + b) * step, end_ms))
        for a, b in pairwise(edges)
    )


def _in_windows(case: Case) -> NDArray[np.int8]:
    """What each window of the usage grid shows by itself: the main line in use, or quiet."""
    here = np.full(case.usage.windows, _ONS.index("unknown"), np.int8)
    if case.coverage.links_apart and (links := primaries(case.profile)):
        here[:] = _ONS.index("quiet")
        here[(link_bands(case)[links] == CARRYING).any(axis=0)] = _ONS.index("main")
    return here


def _bridge(states: NDArray[np.int8], longest: int) -> None:
    """Pauses in the use of the main line belong to its use, as does what is not on record yet at the end."""
    main = _ONS.index("main")
    for first, stop in runs(states != main):
        if stop - first <= longest and stop - first < len(states):
            states[first:stop] = main


def _certain(case: Case, findings: Sequence[Finding]) -> list[tuple[tuple[int, int], On]]:
    """Times of which something says what the site was on: a silent exporter, a stay on the backup, an outage."""
    told: list[tuple[tuple[int, int], On]] = [
        ((one.start_ms, one.end_ms), "unheard") for one in silences(case)
    ]
    if case.sums is None:
        told += [((stay.start_ms, stay.end_ms), "backup") for stay in failovers(case).episodes]
    for finding in findings:
        on = _BY_FINDING.get(finding.code)
        if on is not None and finding.start_ms is not None and finding.end_ms is not None:
            told.append(((finding.start_ms, finding.end_ms), on))
    return told
