"""The link had room all through the complaint; look at Wi-Fi, the device, the far end, the line's quality.

Means: nothing in the flow records explains the complaint. It does not say that all was well, only that the
lines were not full.

Decided: when no finding that explains a complaint touches its window, and the export covers at least half of it. The
room is told by the highest window of the fullest direction, rounded up to a whole per cent, so that "never above"
holds; where records were lost, for the estimate as well. Backups count when they carried more than a twentieth of
their rate. That the line was not the cause is said with high confidence only, and that is given only where nothing
stands against it: at least 95% of the window measured, less than one per cent of the records lost, a resolution of 60
seconds or better, which long flows show (where none does, the export has to go on for half an hour after the time), a
plan rate that is not just typical, no spell at the limit however short (at_limit.py), no level that transfers hold
flat, no twenty seconds without anything coming in, no unusual rate of packets, attempts or unanswered requests, no host
that tried one service ten times in vain, a fifth of its attempts there, unless that is a habit (dead_services.py). Each that
fails is said as a reason, and the sentence says what was seen and what was not. Where the time looked at is too
short for a full link to be found and the line was at its limit, one way or the other, for most of it, the verdict is
cannot-tell.

Thresholds: none of its own; it is what is left when every other verdict has been ruled out.

Fooled by: bursts shorter than the records are long, which can fill a link for seconds; a plan rate in the
profile that is higher than the real one; transfers at equal rates that could be streams or could share a
line under its plan (see even_transfers.py); unusual rates of packets or attempts, which can exhaust a router or a
server (see unusual_rates.py); lost records. Each lowers the confidence and is said.

Do: the client tries a cable instead of Wi-Fi, and a second device; the helpdesk asks which service is slow
and tests it from elsewhere, and looks at the line's errors, loss and delay. Where nothing came in for a moment, the client
says whether that was it, and the helpdesk looks for an interruption then. A service that did not answer a host is tested
from another place.

Limits: flow records show neither radio nor delay nor errors of the line.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from flowdiag.diagnoser import confidence
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.confidence import MAJOR, MINOR, NOTED, Doubt, grade
from flowdiag.diagnoser.finding import Verdict
from flowdiag.diagnoser.kind import Kind
from flowdiag.diagnoser.signals.at_limit import MUCH, AtLimit, at_limit
from flowdiag.diagnoser.signals.dead_services import DeadService, dead_services
from flowdiag.diagnoser.signals.episodes import sampling_error
from flowdiag.diagnoser.signals.even_transfers import EvenTransfers, even_transfers
from flowdiag.diagnoser.signals.held_levels import HeldLevel, held_levels, is_told
from flowdiag.diagnoser.signals.losses import lost_in_window
from flowdiag.diagnoser.signals.outages import outages
from flowdiag.diagnoser.signals.room import Room, room
from flowdiag.diagnoser.signals.short_outages import short_outages, unexplained_silences
from flowdiag.diagnoser.signals.silences import covered
from flowdiag.diagnoser.signals.unusual_rates import unusual_rates
from flowdiag.text.action import Action
from flowdiag.text.sentences import all_clear as wording_all_clear
from flowdiag.text.sentences import load as wording
from flowdiag.text.sentences import verdict as wording_verdict

CODE: Final = "not-the-link"

WELL_COVERED: Final = 0.95
# Longer records may hide bursts that would explain a complaint.
FINE_S: Final = 60
# Active timeouts of 60, 300 and 1800 s are usual (common practice, no source).
LONGEST_TIMEOUT_MS: Final = 1_800_000
# With a highest window this close under the busy threshold, bursts inside minutes may have filled the link.
NEARLY_BUSY: Final = 0.9


def verdict(case: Case) -> Verdict:
    found = room(case)
    reached, cut = at_limit(case), short_cuts(case)
    missed = [(part, [one for one in dead_services(part) if one.weighs]) for part in case.looked_at]
    level, said = grade(
        (
            *_of_moments(case, reached, cut),
            *_of_flows(case),
            *_of_evidence(case),
            *_of_room(case, found, moments=bool(reached)),
        )
    )
    near = any(each.upper >= case.profile.thresholds.busy for each in found)
    return Verdict(
        code=CODE,
        sentence=wording_all_clear.not_the_link(
            case, found, reached, cut, level, said, [one for _, dead in missed for one in dead]
        ),
        confidence=level,
        reasons=(*(wording_all_clear.room_reason(case, each) for each in found), *(d.text for d in said)),
        next_steps=(
            *(wording_verdict.TEST_THE_RATE if any(map(_stands_at_a_level, case.looked_at)) else ()),
            *_once(action for part, dead in missed for action in wording_all_clear.try_elsewhere(part, dead)),
            *wording_verdict.look_next(
                case, interrupted=bool(cut), unanswered=any(dead for _, dead in missed)
            ),
        ),
        room="none at times" if reached or cut else "little" if near else "enough",
    )


def _once(actions: Iterable[Action]) -> Iterator[Action]:
    return iter(dict.fromkeys(actions))


def _held(case: Case) -> list[HeldLevel]:
    told: list[EvenTransfers | AtLimit] = [*even_transfers(case), *at_limit(case)]
    return [level for level in held_levels(case) if not is_told(level, told)]


def _stands_at_a_level(case: Case) -> bool:
    return bool(even_transfers(case) or _held(case))


def _of_flows(case: Case) -> Iterator[Doubt | None]:
    """What the flows of a time show against it. Of a long time each part is looked at; the same doubt of several is one,
    and the first of each kind is told."""
    known: dict[str, int] = {}
    for part in case.looked_at:
        for kind, doubts in (
            ("even", (_even(part, one) for one in even_transfers(part))),
            ("held", _of_held(part, _held(part))),
            ("rates", _of_rates(part)),
            ("services", _of_services(part, dead_services(part))),
        ):
            for doubt in doubts:
                if doubt is None or (known.get(kind, -1) >= doubt.weight and part is not case):
                    continue
                known[kind] = doubt.weight
                yield doubt


def _even(case: Case, one: EvenTransfers) -> Doubt:
    return Doubt(wording_all_clear.even_reason(case, one), MINOR, wording_all_clear.EVEN)


def short_cuts(case: Case) -> tuple[tuple[int, int], ...]:
    """[start, end) of outages too short for a verdict, and of silences unlike the site, in the time asked about."""
    if case.sums is not None:
        return tuple(cut for part in case.parts for cut in short_cuts(part))
    proved = [(outage.start_ms, outage.end_ms) for outage in short_outages(case) if outage.short]
    known = [(outage.start_ms, outage.end_ms) for outage in outages(case) if not outage.short]
    silent = [
        (start, end)
        for start, end in unexplained_silences(case)
        if not any(start < outage_end and begin < end for begin, outage_end in known)
    ]
    return tuple(sorted(proved + silent))


def _of_moments(
    case: Case, reached: tuple[AtLimit, ...], cut: tuple[tuple[int, int], ...]
) -> Iterator[Doubt | None]:
    for limit in reached:
        weight = MAJOR if limit.share >= MUCH else MINOR
        yield Doubt(wording_all_clear.at_limit_reason(case, limit), weight)
    for start, end in cut:
        yield Doubt(wording_all_clear.cut_reason(case, start, end), MINOR)


def _of_held(case: Case, held: list[HeldLevel]) -> Iterator[Doubt | None]:
    if held:
        weight = MAJOR if held[0].is_the_lines else MINOR
        yield Doubt(wording_all_clear.held_reason(case, held), weight, wording_all_clear.EVEN)


def _of_rates(case: Case) -> Iterator[Doubt | None]:
    unusual = unusual_rates(case)
    if unusual:
        yield Doubt(wording_all_clear.unusual_reason(case, unusual), MINOR, wording_all_clear.UNUSUAL)


def _of_services(case: Case, dead: list[DeadService]) -> Iterator[Doubt | None]:
    """Several are one doubt as to what weighs, each told."""
    for number, one in enumerate(dead):
        weight = MINOR if one.weighs and number == 0 else NOTED
        yield Doubt(
            wording_all_clear.dead_reason(case, one), weight, wording_all_clear.dead_clause(case, one)
        )


def _of_evidence(case: Case) -> Iterator[Doubt | None]:
    """How well the export can show what it would have to."""
    missing = 1.0 - covered(case)
    if missing > 1.0 - WELL_COVERED:
        text = wording_verdict.too_little_reason(1.0 - missing)
        yield Doubt(text, MINOR, wording_all_clear.not_all_measured(1.0 - missing))
    for start, end in case.coverage.restarts:
        if start < case.window_ms[1] and end > case.window_ms[0]:
            yield Doubt(
                wording_all_clear.restart_reason(case, start, end), MINOR, wording_all_clear.RESTARTED
            )
    yield confidence.of_loss_share(lost_in_window(case)[1], lowers=True)
    resolution = case.coverage.resolution_s
    if resolution > FINE_S:
        text = wording_verdict.resolution(resolution, True)
        yield Doubt(text, MINOR, wording_all_clear.bursts_hidden(resolution))
    elif _may_be_open(case):
        yield Doubt(wording_all_clear.MAY_BE_OPEN_REASON, MINOR, wording_all_clear.MAY_BE_OPEN)
    else:
        yield Doubt(wording.not_in_bursts(resolution), NOTED)


def _may_be_open(case: Case) -> bool:
    """Whether a long flow may have run in the time asked about of which nothing is exported yet: where no flow tells how
    soon that happens, and the export ends too soon after that time.
    """
    coverage = case.coverage
    if coverage.resolution_known or coverage.last_ms is None:
        return False
    return coverage.last_ms - min(case.window_ms[1], coverage.last_ms) < LONGEST_TIMEOUT_MS


def _of_room(case: Case, found: list[Room], *, moments: bool) -> Iterator[Doubt | None]:
    """What bears on how much room there was."""
    limits = case.profile.thresholds
    if any(case.profile.link[each.link].variable for each in found):
        yield Doubt(wording.TYPICAL_RATE, MINOR, wording_all_clear.VARIES)
    if not found:
        return
    busiest = found[0]
    if any(each.share < limits.busy <= each.upper for each in found):
        yield Doubt(wording_all_clear.busy_with_lost(busiest.upper), MINOR, wording_all_clear.MAY_BE_MORE)
    elif not moments and busiest.share >= NEARLY_BUSY * limits.busy:
        yield Doubt(
            wording_all_clear.nearly_busy(busiest.peak_window_s), MINOR, wording_all_clear.CLOSE_TO_BUSY
        )
    error = confidence.Z_95 * sampling_error(case, busiest.link, busiest.direction)
    if error > 0.0:
        margin = limits.full - busiest.share
        yield Doubt(
            wording.sampling_error(error), MINOR if error > margin else NOTED, wording_all_clear.SAMPLED
        )


KIND: Final = Kind(
    code=CODE,
    page=18,
    means="As far as we can see, the line had room for more, so a faster one would not have helped.",
    means_in_audit="The line is not short of room at present.",
    next_step_in_audit="Nothing needs to be done about the line's rate.",
)
