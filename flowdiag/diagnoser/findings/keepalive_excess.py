"""Far more keepalive traffic than its interval and size explain.

Means: a check runs much too often or with outsize packets. On a metered backup it eats the allowance; it
may also be a sign that something else uses the keepalive's destination.

Decided: the budget is packets a direction = time / interval and octets = packets x packet size
(arithmetic). Over a running block of five intervals, at least one minute, packets and octets of each
direction are held against it; at ten times the budget or more for three minutes in a row it is reported,
with the octets of a month beside the budget.

Thresholds: keepalive_excess_times, 10.

Fooled by: a TCP check opens and closes a connection, several packets for one check; a record much shorter
than the interval counts as one keepalive there. Without a packet size in the profile octets are not
judged.

Do: the engineer corrects the interval or size of the check on the router.

Limits: on sampled exports counts are estimates; a tenfold excess stands out nevertheless.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.evidence import ABSENT, Destinations, Evidence, Interval, Key, Probed, ProbeProtocol
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.kind import Kind, Rank
from flowdiag.diagnoser.signals.keepalives import Account, Beats, accounts, probed_place
from flowdiag.diagnoser.signals.timeline import Grid, runs
from flowdiag.durations import MINUTE_MS
from flowdiag.text.sentences import backup as wording

CODE: Final = "keepalive-excess"


@dataclass(frozen=True, eq=False)
class KeepaliveExcess(Evidence):
    destination: Probed
    protocol: ProbeProtocol
    interval_s: Interval
    packets_times_budget: Annotated[
        float, Key("packets over those that the interval asks for", "times the planned packets")
    ]
    octets: Annotated[int, Key("IP octets of both directions", "volume")]
    minutes: Annotated[float, Key("how long it lasted", "lasted")]
    destinations: Destinations
    octets_times_budget: Annotated[
        float, Key("octets over those that the interval asks for", "times the planned octets")
    ] = ABSENT
    packet_bytes: Annotated[int | None, Key("IP octets of one probe, by the profile", "planned packet")] = (
        ABSENT
    )


BLOCK_INTERVALS: Final = 5
SUSTAINED: Final = 3  # windows of a minute in a row, as for every sustained finding
LEAST_SAMPLED_PACKETS: Final = 30  # relative error of the count at most 1.96/sqrt(30) = 36 %


class _Excess(Struct, frozen=True):
    start_ms: int
    end_ms: int
    packets_times: float
    octets_times: float | None


def find(case: Case) -> list[Finding]:
    found = []
    for account in accounts(case):
        excess = excess_of(case, account)
        if excess is not None:
            found.append(_finding(case, account, excess))
    return found


def excess_of(case: Case, account: Account) -> _Excess | None:
    """The time and size of an account's excess, None where it keeps within ten times its budget."""
    worst: _Excess | None = None
    for beats in (account.requests, account.replies):
        if beats.packets.sum() < LEAST_SAMPLED_PACKETS * max(case.coverage.sampling, 1.0):
            continue
        excess = _direction(case, account, beats)
        if excess is not None and (worst is None or excess.packets_times > worst.packets_times):
            worst = excess
    return worst


def _direction(case: Case, account: Account, beats: Beats) -> _Excess | None:
    usage = case.usage
    grid = Grid(usage.start_ms, usage.window_ms, usage.windows)
    limit = case.profile.thresholds.keepalive_excess_times
    block = max(int(np.ceil(max(MINUTE_MS, BLOCK_INTERVALS * account.interval_ms) / usage.window_ms)), 1)
    due = block * usage.window_ms / account.interval_ms
    packets = _running(grid.spread(beats.start_ms, beats.end_ms, beats.count), block) / due
    size = account.keepalive.packet_bytes
    octets = None
    over = packets >= limit
    if size:
        each = beats.octets / np.maximum(beats.packets, 1.0) * beats.count
        octets = _running(grid.spread(beats.start_ms, beats.end_ms, each), block) / (due * size)
        over |= octets >= limit
    long = [(first, stop) for first, stop in runs(over) if stop - first >= SUSTAINED]
    if not long:
        return None
    first, stop = long[0][0], long[-1][1]
    inside = np.zeros(len(over), dtype=np.bool_)
    for begin, end in long:
        inside[begin:end] = True
    start = max(grid.time_of(first), int(beats.start_ms.min()))
    end_ms = min(grid.time_of(stop), int(beats.end_ms.max()))
    return _Excess(
        start, end_ms, float(packets[inside].mean()), None if octets is None else float(octets[inside].mean())
    )


def _running(values: NDArray[np.float64], block: int) -> NDArray[np.float64]:
    """Sum over a block of windows around each window; at the ends the block is cut and scaled up."""
    kernel = np.ones(block)
    reach = np.convolve(np.ones(len(values)), kernel, mode="same")[: len(values)]
    total: NDArray[np.float64] = np.convolve(values, kernel, mode="same")[: len(values)] * block / reach
    return total


def _finding(case: Case, account: Account, excess: _Excess) -> Finding:
    link = case.profile.link[account.link]
    octets = float(account.requests.octets.sum() + account.replies.octets.sum())
    summary, client = wording.keepalive_excess(
        case, link.name, account.keepalive, excess.packets_times, excess.octets_times
    )
    sized = excess.octets_times is not None
    evidence = KeepaliveExcess(
        destination=account.keepalive.destination,
        protocol=account.keepalive.protocol,
        interval_s=account.keepalive.interval_s,
        packets_times_budget=round(excess.packets_times, 1),
        octets=int(octets),
        minutes=round((excess.end_ms - excess.start_ms) / MINUTE_MS, 1),
        destinations=probed_place(case, account.keepalive.destination),
        octets_times_budget=ABSENT if excess.octets_times is None else round(excess.octets_times, 1),
        packet_bytes=account.keepalive.packet_bytes if sized else ABSENT,
    )
    return Finding(
        code=CODE,
        severity="warning",
        confidence="high" if case.coverage.sampling <= 1 else "medium",
        summary=summary,
        client=client,
        link=link.name,
        start_ms=excess.start_ms,
        end_ms=excess.end_ms,
        evidence=evidence,
        actions=wording.KEEPALIVE_SETTING,
    )


KIND: Final = Kind(
    code=CODE,
    page=9,
    find=find,
    evidence=KeepaliveExcess,
    ranks=(Rank(230, audit=True),),
    means="This slows nothing down, but it uses up data on the backup line.",
    next_step="We correct the setting of the backup line's test, so that its data is not used up.",
)
