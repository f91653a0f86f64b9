"""Rates of packets and attempts that stand out in the time asked about, though too small for a finding of their own.

What exhausts a router or a server, or keeps people waiting for answers, need not fill a line. These rates allege
nothing; they keep not-the-link from high confidence. Each has to pass a floor, and a multiple of what is usual in the rest
of the export (in all of it where the rest is short), so that what a site always does is no sign of trouble:
- connections from outside that stay half open, a minute;
- attempts of inside hosts at everyday services that got no answer, in ten minutes, and their part of all;
- small packets in one direction of a link that the other direction does not match, a second;
- outside addresses that one host tried in vain, in ten minutes (as in outbound_scan.py, at half its threshold).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import DOWN, UP, SiteFlows, select
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.attempts import (
    begins_attempt,
    connection_attempts,
    failed_attempts,
    is_everyday,
)
from flowdiag.diagnoser.signals.conversations import acknowledged, half_open
from flowdiag.diagnoser.signals.scans import scans_from
from flowdiag.diagnoser.signals.timeline import Grid
from flowdiag.durations import MINUTE_MS

TEN: Final = 10  # minutes
# The rest of the export says what is usual if it has so many minutes; less than that in all says nothing.
USUAL_MINUTES: Final = 10
USUAL_TIMES: Final = 3.0
# Ten a second, which is more than the noise that reaches any public address (common practice).
HALF_OPEN_A_MINUTE: Final = 600
# Two thirds of the attempts that make a finding, and a fifth of the part.
UNANSWERED: Final = 20
UNANSWERED_PART: Final = 0.1
UNANSWERED_PART_ALONE: Final = 0.25  # where nothing says what is usual
# A small office router forwards some ten thousand small packets a second (common practice, no source).
SMALL_PACKETS_S: Final = 1_000.0
SMALL_OCTETS: Final = 200.0
MATCHED_TIMES: Final = 2.0  # an acknowledgement for two segments (RFC 1122 4.2.3.2)
PART_OF_A_SCAN: Final = 0.5


class UnusualRate(Struct, frozen=True):
    """what: half-open, unanswered, packets or addresses. most: a minute, in ten minutes, a second, in ten minutes.

    usual: the same, None where it is not known. tried: of how many attempts, for unanswered. link, direction: for
    packets. at_ms: when it was most.
    """

    what: str
    most: int
    usual: float | None
    at_ms: int
    tried: int | None = None
    link: int | None = None
    direction: int | None = None


def unusual_rates(case: Case) -> list[UnusualRate]:
    """Those that touch the time asked about, one of each kind at most."""
    if not len(case.flows) or not case.usage.windows:
        return []
    found = (_half_open(case), _unanswered(case), _small_packets(case), _addresses(case))
    return [rate for rate in found if rate is not None]


def _minutes(case: Case) -> Grid:
    usage = case.usage
    return Grid(usage.start_ms, MINUTE_MS, -(-usage.windows * usage.window_ms // MINUTE_MS))


def _asked_about(case: Case, grid: Grid) -> NDArray[np.bool_]:
    """Which bins touch the complaint's window."""
    begin, end = case.window_ms
    at = grid.start_ms + grid.step_ms * np.arange(grid.bins)
    asked: NDArray[np.bool_] = (at < end) & (at + grid.step_ms > begin)
    return asked


def _usual(case: Case, grid: Grid, values: NDArray[np.float64], asked: NDArray[np.bool_]) -> float | None:
    """Median per bin outside the window, or of all that the export covers where that is too short."""
    covered = np.zeros(grid.bins, dtype=np.bool_)
    first, last = case.coverage.first_ms, case.coverage.last_ms
    if first is None or last is None:
        return None
    covered[int(grid.bin_of(np.array(first))) : int(grid.bin_of(np.array(last))) + 1] = True
    least = USUAL_MINUTES * MINUTE_MS
    for bins in (covered & ~asked, covered):
        if np.count_nonzero(bins) * grid.step_ms >= least:
            return float(np.median(values[bins]))
    return None


def _half_open(case: Case) -> UnusualRate | None:
    flows, grid = case.flows, _minutes(case)
    if case.coverage.sampling > 1:  # a sampled record of a sound connection often shows its SYN alone
        return None

    def coming(chunk: SiteFlows) -> NDArray[np.bool_]:
        from_outside: NDArray[np.bool_] = half_open(chunk) & (chunk.direction == DOWN) & (chunk.link >= 0)
        return from_outside

    rows = np.flatnonzero(select(flows, coming))
    asked = _asked_about(case, grid)

    def a_minute(rows: NDArray[np.intp]) -> NDArray[np.float64]:
        return grid.spread(flows.start_ms[rows], flows.end_ms[rows], flows.packets[rows])

    if not _highest(a_minute(rows), asked) >= HALF_OPEN_A_MINUTE:
        return None
    values = a_minute(rows[~acknowledged(flows, rows)])
    most, usual = _highest(values, asked), _usual(case, grid, values, asked)
    if most < max(HALF_OPEN_A_MINUTE, USUAL_TIMES * (usual or 0.0)):
        return None
    return UnusualRate("half-open", round(most), usual, _when(grid, values, asked))


def _unanswered(case: Case) -> UnusualRate | None:
    flows, grid = case.flows, _minutes(case)
    rows = failed_attempts(case)
    ports = flows.outside_port[rows]
    everyday = [port for port in np.unique(ports).tolist() if is_everyday(port)]
    rows = rows[np.isin(ports, everyday)]
    if len(rows) < UNANSWERED:
        return None
    asked = _asked_about(case, grid)
    fails = _in_ten(grid.starting(flows.start_ms[rows]))
    if _highest(fails, asked) < UNANSWERED:
        return None
    usual = _usual(case, grid, fails, asked)
    over = asked & (fails >= max(UNANSWERED, USUAL_TIMES * (usual or 0.0)))
    if not over.any():
        return None
    # Of these, where most of the attempts failed; which of those are one attempt is looked at only there.
    tried = connection_attempts(case)
    tries = _in_ten(grid.starting(flows.start_ms[tried]))
    at = int(np.argmax(np.where(over, fails / np.maximum(tries, 1.0), -1.0)))
    begin = grid.time_of(at)
    tried = tried[(flows.start_ms[tried] >= begin) & (flows.start_ms[tried] < begin + TEN * MINUTE_MS)]
    attempts = int(np.count_nonzero(begins_attempt(flows, tried)))
    part = UNANSWERED_PART if usual is not None else UNANSWERED_PART_ALONE
    if fails[at] < part * attempts:
        return None
    return UnusualRate("unanswered", round(float(fails[at])), usual, begin, tried=attempts)


def _in_ten(counts: NDArray[np.int64]) -> NDArray[np.float64]:
    """Per minute, the sum of it and the nine after it, as far as there are any."""
    total = np.concatenate([[0.0], np.cumsum(counts)])
    stop = np.minimum(np.arange(len(counts)) + TEN, len(counts))
    return np.asarray(total[stop] - total[:-1], dtype=np.float64)


def _small_packets(case: Case) -> UnusualRate | None:
    usage = case.usage
    grid = Grid(usage.start_ms, usage.window_ms, usage.windows)
    asked = _asked_about(case, grid)
    for link in range(len(case.profile.link)):
        for direction in (DOWN, UP):
            packets, other = usage.packets[link, direction], usage.packets[link, 1 - direction]
            alone = np.maximum(packets - MATCHED_TIMES * other, 0.0) * (1000.0 / usage.window_ms)
            alone[usage.ip_octets[link, direction] > SMALL_OCTETS * packets] = 0.0
            most = _highest(alone, asked)
            if most < SMALL_PACKETS_S:
                continue
            usual = _usual(case, grid, alone, asked)
            if most >= USUAL_TIMES * (usual or 0.0):
                at = _when(grid, alone, asked)
                return UnusualRate("packets", round(most), usual, at, link=link, direction=direction)
    return None


def _addresses(case: Case) -> UnusualRate | None:
    least = round(PART_OF_A_SCAN * case.profile.thresholds.scan_addresses)
    begin, end = case.window_ms
    for scan in scans_from(case, least, (begin, end)):
        start = int(case.flows.start_ms[scan.rows].min())
        return UnusualRate("addresses", scan.most_in_ten_minutes, None, start)
    return None


def _highest(values: NDArray[np.float64], asked: NDArray[np.bool_]) -> float:
    return float(values[asked].max()) if asked.any() else 0.0


def _when(grid: Grid, values: NDArray[np.float64], asked: NDArray[np.bool_]) -> int:
    return grid.time_of(int(np.argmax(np.where(asked, values, -1.0))))
