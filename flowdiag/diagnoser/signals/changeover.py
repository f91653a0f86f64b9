"""What a change from one link to the other did to calls, and how long nothing was carried when the site went back.

Shared by on-backup and by the certificate of a backup drill; this module alleges nothing itself.

Facts the design follows:
- a call that goes on keeps its ends and ports; by another link its packets go both ways again, within half a minute. Who hears
  nothing for longer has hung up (common practice, no source);
- where an address translation names the router in place of the host, its address is another one on each link and its port may
  be: then a call is known by its far end and port alone, and which of several it is cannot be told;
- a link that is cut brings nothing more, so a call is cut by the change where what it brought ends with the link. One that had
  ended seconds before had hung up.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final, Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import DOWN, SiteFlows
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.calls import realtime
from flowdiag.diagnoser.signals.conversations import conversation_keys, sees_downloads
from flowdiag.diagnoser.signals.failovers import STEP_MS, Failover
from flowdiag.diagnoser.signals.link_states import link_states, primaries
from flowdiag.diagnoser.signals.shares import lies_in

# Calls are looked for in so much time before a change, of which their records cover 45 seconds (signals/calls.py).
BEFORE_MS: Final = 120_000
# A call goes on where it is heard both ways within so long, for so long.
RESUMED_MS: Final = 30_000
HEARD_MS: Final = 10_000
# A call ended with the link where its last packet came at most so long before.
CUT_MS: Final = 5_000
# Of the records: from here on it is not told for sure what went on.
LOST: Final = 0.01

# Why calls are not told for sure: the router's address stands for its hosts; packets are sampled; records were lost.
Unsure = Literal["translated", "sampled", "lost"]


class Calls(Struct, frozen=True):
    """Of one change: calls that were going on, those of them that went on by the other link, and new ones that hosts of the
    others began within two minutes. unsure: why that may be otherwise; None where nothing speaks against it."""

    before: int
    went_on: int
    anew: int
    unsure: Unsure | None


class Changeover(Struct, frozen=True):
    """there: calls at the change to the backup; back: at the return; None where it cannot be told. return_gap_ms: from the last
    ordinary record that the backup brought to the first of the primary; None where there is no return."""

    there: Calls | None
    back: Calls | None
    return_gap_ms: int | None


def changeover(case: Case, failover: Failover) -> Changeover:
    """What the two changes of a stay on a backup did."""
    main, backup = primaries(case.profile), [failover.link]
    there = back = None
    if failover.gap_ms is not None:
        there = _calls(case, main, backup, failover.start_ms - failover.gap_ms, failover.start_ms)
    gap = _return_gap_ms(case, failover)
    if gap is not None:
        back = _calls(case, backup, main, failover.end_ms - gap, failover.end_ms)
    return Changeover(there, back, gap)


def _return_gap_ms(case: Case, failover: Failover) -> int | None:
    flows, ordinary = case.flows, link_states(case).ordinary
    if failover.still:
        return None
    brought = ordinary & (flows.direction == DOWN) if sees_downloads(flows) else ordinary
    begun = flows.start_ms[np.flatnonzero(brought & np.isin(flows.link, primaries(case.profile)))]
    if not ((begun >= failover.end_ms) & (begun < failover.end_ms + STEP_MS)).any():
        return None  # it ended without a return
    rows = np.flatnonzero(brought & (flows.link == failover.link))
    rows = rows[(flows.start_ms[rows] < failover.end_ms) & (flows.end_ms[rows] >= failover.start_ms)]
    return max(failover.end_ms - int(flows.end_ms[rows].max()), 0) if len(rows) else None


def _calls(case: Case, old: Sequence[int], new: Sequence[int], last_ms: int, first_ms: int) -> Calls | None:
    """Calls over the change from some links, which brought something last at last_ms, to others, which did first at
    first_ms."""
    if not sees_downloads(case.flows) or not _is_heard(case, last_ms - STEP_MS, first_ms + RESUMED_MS):
        return None
    flows = case.flows
    before = realtime(case, old, (last_ms - BEFORE_MS, first_ms + 1))
    cut = _lasting(flows, before.ways[DOWN], last_ms - CUT_MS)
    after = realtime(case, new, (first_ms - STEP_MS, first_ms + BEFORE_MS), HEARD_MS)
    soon = _begun(flows, after.ways[DOWN], first_ms + RESUMED_MS)
    matched = _matched(case, cut, soon)
    others = _one_each(flows, after.ways[DOWN])
    anew = _set_up_anew(flows, cut, others, matched)
    return Calls(len(cut), matched.count, anew, _unsure(case, matched))


def _is_heard(case: Case, begin: int, end: int) -> bool:
    """Whether the exporter was heard all along, as far as it could have been."""
    last = case.coverage.last_ms
    here = case.usage.touched(begin, end if last is None else min(end, last))
    return bool(case.coverage.heard[here].all())


def _one_each(flows: SiteFlows, rows: NDArray[np.intp]) -> dict[int, int]:
    """A row of each conversation, by its key."""
    keys = conversation_keys(flows, rows).tolist()
    return dict(zip(keys, rows.tolist(), strict=True))


def _lasting(flows: SiteFlows, rows: NDArray[np.intp], until_ms: int) -> dict[int, int]:
    """Of the conversations of these rows, those that last until then."""
    return _one_each(flows, rows[flows.end_ms[rows] >= until_ms])


def _begun(flows: SiteFlows, rows: NDArray[np.intp], before_ms: int) -> dict[int, int]:
    """Of the conversations of these rows, those that began by then."""
    return _one_each(flows, rows[flows.start_ms[rows] <= before_ms])


class _Matched(Struct, frozen=True):
    """same: keys of calls that went on; guessed: how many more, of which their far ends alone are known; behind_router: whether
    some are known by those alone."""

    same: frozenset[int]
    guessed: int
    behind_router: bool

    @property
    def count(self) -> int:
        return len(self.same) + self.guessed


def _matched(case: Case, old: dict[int, int], new: dict[int, int]) -> _Matched:
    same = frozenset(old) & frozenset(new)
    flows, lan = case.flows, case.profile.site.lan
    left = [_far_ends(flows, lan, calls, same) for calls in (old, new)]
    guessed = sum((left[0] & left[1]).values())
    return _Matched(same, guessed, bool(left[0]))


def _far_ends(
    flows: SiteFlows, lan: Sequence[str], calls: dict[int, int], known: frozenset[int]
) -> Counter[tuple[int, int]]:
    """Outside address and port of the calls that are left, where the inside end is a router's own."""
    return Counter(
        (int(flows.outside[row]), int(flows.outside_port[row]))
        for key, row in calls.items()
        if key not in known and not lies_in(flows.addresses[int(flows.inside[row])], lan)
    )


def _set_up_anew(flows: SiteFlows, cut: dict[int, int], others: dict[int, int], matched: _Matched) -> int:
    """New calls of the hosts whose calls did not go on, at most as many as each had."""
    lost = Counter(int(flows.inside[row]) for key, row in cut.items() if key not in matched.same)
    began = Counter(int(flows.inside[row]) for key, row in others.items() if key not in cut)
    return min(sum((lost & began).values()), len(cut) - matched.count)


def _unsure(case: Case, matched: _Matched) -> Unsure | None:
    if matched.behind_router:
        return "translated"
    if case.coverage.sampling > 1:
        return "sampled"
    coverage = case.coverage
    return "lost" if coverage.lost_records > LOST * (coverage.lost_records + coverage.records) else None
