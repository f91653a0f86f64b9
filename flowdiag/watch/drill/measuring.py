"""A drill from a store: the stay on the backup that touches a time, with what was before it and after.

Facts the design follows:
- what a change did is told by flows around it, what a stay carried by all of it. Where a stay has more flows than are
  held at once, its sums are told by roll-ups, and each change by the flows around it alone;
- whether a line was full, and who used it, is the finding's (diagnoser/findings/on_backup.py); it is not found anew here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Final

import numpy as np
from msgspec import Struct

from flowdiag.aggregator.build import build_case_data
from flowdiag.aggregator.plan_rates import require_plan_rates
from flowdiag.aggregator.site_flows import DIRECTION_NAMES
from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.asking import asked_again
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.finding import find_files
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.reading import StoreReader
from flowdiag.collector.store.statistics import times_of
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.findings.on_backup import CODE, finding_of
from flowdiag.diagnoser.long_time import long_time_findings
from flowdiag.diagnoser.signals.changeover import Calls, Changeover, changeover
from flowdiag.diagnoser.signals.failovers import Failover, failovers
from flowdiag.diagnoser.signals.keepalives import Account, Beats, accounts
from flowdiag.diagnoser.signals.link_states import primaries
from flowdiag.durations import HOUR_MS, MINUTE_MS
from flowdiag.long_times import LEAST_MS, Effort, long_case
from flowdiag.site.clock import LocalTime
from flowdiag.site.profile import Profile
from flowdiag.text.sentences.load import name_of
from flowdiag.watch.drill.drill import CallsOver, Drill, Share, Tested, Way
from flowdiag.watch.reading import MOST_ROWS, Recent, cut_heard, rows_since

# Read before a stay, for calls and for what the site used; and after it, for the return.
BEFORE_MS: Final = HOUR_MS
AFTER_MS: Final = 15 * MINUTE_MS
# Of a stay with more records than are held at once, so much is read around each change. (400 MB)
MOST_AT_ONCE: Final = 3 * MOST_ROWS
EDGE_MS: Final = 30 * MINUTE_MS
# The times of an event may be off by so much.
NEAR_MS: Final = 10 * MINUTE_MS
TESTED_WITHIN_MS: Final = 10 * MINUTE_MS
MOST_NAMED: Final = 8


class _Stay(Struct, frozen=True, eq=False):
    """case: with its flows or sums; finding: of it; before: the case that has the change to the backup; change: what
    both changes did."""

    case: Case
    before: Case
    finding: Finding
    failover: Failover
    change: Changeover


@asked_again
def drill_of(store: str, profile: Profile, began_ms: int, ended_ms: int | None) -> Drill | None:
    """The stay on a backup that has most of [began_ms, ended_ms) in it; None where the flows show none, or are gone. ended_ms:
    None while it goes on. Raises StoreError, ProfileError."""
    backend = open_backend(store)
    with backend.reading():
        stay = _stay(store, backend, profile, (began_ms, ended_ms))
    return None if stay is None else _drill(profile, stay)


def _stay(
    store: str, backend: StorageBackend, profile: Profile, asked_ms: tuple[int, int | None]
) -> _Stay | None:
    began, ended = asked_ms
    newest = _newest(backend, profile) if ended is None else ended
    begin, end = began - BEFORE_MS, newest + AFTER_MS
    files = _files(backend, profile, begin, end)
    if rows_since(files, begin) <= MOST_AT_ONCE:
        case = _case(backend, profile, files, (begin, end))
        return None if case is None else _of_flows(case, began, newest)
    return _of_sums(store, backend, profile, files, (began, newest))


def _newest(backend: StorageBackend, profile: Profile) -> int:
    from flowdiag.query_plan import known_span

    return known_span(backend, profile.site.exporter_octets)[1] or 0


def _files(backend: StorageBackend, profile: Profile, begin: int, end: int) -> Recent:
    files = find_files(backend, profile.site.exporter_octets, (begin, end))
    times = tuple(tuple(times_of(backend, file)) for file in files)
    return Recent(tuple(files), times, "", end, begin)


def _case(backend: StorageBackend, profile: Profile, files: Recent, span: tuple[int, int]) -> Case | None:
    """The case of a time by its flows; None where there are none."""
    report = ExportReport()
    reader = StoreReader(
        backend, lambda error: report.problem(str(error.file or ""), error.offset, error.what), span=span
    )
    stored = StoredFlows(report)
    batches = [batch for batch in reader.read(files.files, stored) if batch.num_rows]
    for batch in batches:
        stored.add_rows(batch)  # what was lost is told as a part of these
    cut_heard(report, *span)
    flows, usage, coverage = build_case_data(batches, report, profile)
    if not len(flows):
        return None
    require_plan_rates(profile, usage)
    return Case(
        profile=profile, flows=flows, usage=usage, coverage=coverage, window_ms=span, window_given=True
    )


def _of_flows(case: Case, began: int, ended: int) -> _Stay | None:
    failover = _nearest(failovers(case).episodes, began, ended)
    if failover is None:
        return None
    return _Stay(case, case, finding_of(case, failover), failover, changeover(case, failover))


def _nearest(episodes: Iterable[Failover], began: int, ended: int) -> Failover | None:
    """The stay that has most of a time in it, or lies next to it."""

    def common(failover: Failover) -> int:
        return min(failover.end_ms, ended) - max(failover.start_ms, began)

    near = [failover for failover in episodes if common(failover) >= -NEAR_MS]
    return max(near, key=common, default=None)


def _of_sums(
    store: str, backend: StorageBackend, profile: Profile, files: Recent, asked_ms: tuple[int, int]
) -> _Stay | None:
    """Of a stay with too many flows: its figures by roll-ups, each change by the flows around it."""
    began, ended = asked_ms
    clock = LocalTime(profile.site.timezone)
    end_ms = ended + AFTER_MS
    begin, end = clock.iso(min(began - BEFORE_MS, end_ms - LEAST_MS)), clock.iso(end_ms)
    whole = long_case([store], profile, begin, end, effort=Effort(worth_octets=0))
    there = _case(backend, profile, files, (began - EDGE_MS, began + EDGE_MS))
    back = _case(backend, profile, files, (ended - EDGE_MS, ended + EDGE_MS))
    if whole is None or there is None or back is None:
        return None
    found = [one for one in long_time_findings(whole) if one.code == CODE and one.start_ms is not None]
    first = _nearest(failovers(there).episodes, began, began + EDGE_MS)
    last = _nearest(failovers(back).episodes, ended - EDGE_MS, ended)
    if not found or first is None or last is None:
        return None
    finding = min(found, key=lambda one: abs((one.start_ms or 0) - began))
    evidence = finding.evidence
    failover = Failover(
        link=first.link,
        start_ms=first.start_ms,
        end_ms=last.end_ms,
        gap_ms=first.gap_ms,
        octets_down=evidence["octets_down"],
        octets_up=evidence["octets_up"],
        began_before=first.began_before,
        still=last.still,
    )
    gone, come = changeover(there, first), changeover(back, last)
    return _Stay(whole, there, finding, failover, Changeover(gone.there, come.back, come.return_gap_ms))


def _drill(profile: Profile, stay: _Stay) -> Drill:
    failover, evidence, coverage = stay.failover, stay.finding.evidence, stay.case.coverage
    backup = profile.link[failover.link]
    tested, tested_ms = _tested(stay.before, failover)
    known = coverage.records + coverage.lost_records
    return Drill(
        site=profile.site.name,
        timezone=profile.site.timezone,
        backup=backup.name,
        main=tuple(profile.link[number].name for number in primaries(profile)),
        stopped_ms=None if failover.gap_ms is None else failover.start_ms - failover.gap_ms,
        backup_ms=failover.start_ms,
        back_ms=None if stay.change.return_gap_ms is None else failover.end_ms,
        carried_until_ms=failover.end_ms,
        gap_ms=failover.gap_ms,
        return_gap_ms=stay.change.return_gap_ms,
        calls=_calls(stay.change.there),
        return_calls=_calls(stay.change.back),
        ways=tuple(_way(stay, direction) for direction in range(len(DIRECTION_NAMES))),
        was_full=bool(evidence["backup_was_full"]),
        hosts=_shares(evidence["hosts"], name_of),
        applications=_shares(evidence["applications"], lambda row: str(row["application"])),
        tested=tested,
        tested_ms=tested_ms,
        confidence=stay.finding.confidence,
        doubts=stay.finding.doubts,
        resolution_s=coverage.resolution_s,
        lost_share=round(coverage.lost_records / known, 4) if known else 0.0,
        variable=backup.variable,
    )


def _calls(calls: Calls | None) -> CallsOver | None:
    return None if calls is None else CallsOver(calls.before, calls.went_on, calls.anew, calls.unsure)


def _shares(rows: Sequence[Any], name: Any) -> tuple[Share, ...]:
    return tuple(Share(name(row), row["share"]) for row in rows[:MOST_NAMED])


def _way(stay: _Stay, direction: int) -> Way:
    failover, name, profile = stay.failover, DIRECTION_NAMES[direction], stay.case.profile
    link = profile.link[failover.link]
    plan = (link.down_mbps, link.up_mbps)[direction]
    usage = stay.case.usage
    here = usage.touched(failover.start_ms, failover.end_ms)
    rates = usage.mbps(failover.link, direction)[here]
    above = np.maximum(rates - plan, 0) * usage.lengths_ms[here]
    octets = int((failover.octets_down, failover.octets_up)[direction])
    before = _before(stay.before, failover, direction)
    return Way(
        direction="up" if direction else "down",
        octets=octets,
        mean_mbps=round(octets * 8 / max(failover.length_ms, 1) / 1000, 3),
        peak_mbps=round(float(rates.max(initial=0.0)), 3),
        plan_mbps=plan,
        full_minutes=stay.finding.evidence[f"full_minutes_{name}"],
        above_octets=round(float(above.sum()) * 125),
        before_mean_mbps=round(float(before.mean()), 3) if len(before) else None,
        before_peak_mbps=round(float(before.max()), 3) if len(before) else None,
        before_minutes=len(before),
        before_over_minutes=int(np.count_nonzero(before > plan)),
    )


def _before(case: Case, failover: Failover, direction: int) -> Any:
    """Rates of the main lines together in the whole minutes of the hour before a change in which the exporter was heard."""
    usage = case.usage
    if failover.gap_ms is None:
        return np.zeros(0)
    stopped = failover.start_ms - failover.gap_ms
    here = usage.touched(stopped - BEFORE_MS, stopped - usage.window_ms)
    rates = sum(usage.mbps(link, direction)[here] for link in primaries(case.profile))
    return np.asarray(rates)[case.coverage.heard[here]]


def _tested(case: Case, failover: Failover) -> tuple[Tested, int | None]:
    """What the keepalives of the backup showed before the change: the best of them, and when last."""
    stopped = failover.start_ms - (failover.gap_ms or 0)
    own = [account for account in accounts(case) if account.link == failover.link]
    if not own:
        return "none", None
    if case.coverage.sampling > 1:
        return "sampled", None
    for state, way in (("answered", "replies"), ("unanswered", "requests")):
        times = [
            last
            for account in own
            if (last := _last(getattr(account, way), _within(case, account, stopped))) is not None
        ]
        if times:
            return ("answered" if state == "answered" else "unanswered"), max(times)
    return "missing", None


def _within(case: Case, account: Account, stopped: int) -> tuple[int, int]:
    reach = max(TESTED_WITHIN_MS, round(account.least_ms(case) + account.interval_ms))
    return stopped - reach, stopped


def _last(beats: Beats, within: tuple[int, int]) -> int | None:
    """When the last beat of a time was; a record that goes on after it covers its end."""
    touching = (beats.end_ms >= within[0]) & (beats.start_ms < within[1])
    return min(int(beats.end_ms[touching].max()), within[1]) if touching.any() else None
