"""The exporter's active timeout, read off the durations of its flows.

Facts the estimate follows:
- a flow that lasts longer than the active timeout is reported in pieces of just that length, so the durations
  of long flows pile up there and nothing, or nearly nothing, is longer;
- routers look for flows that are due now and then, so a piece may be some seconds longer; a flow that pauses
  gives a shorter piece;
- a record lasts from its first packet to its last, so that it tells when it was cut to the spacing of its packets: of a
  keepalive each ten seconds, a timeout of a minute cuts records of fifty seconds, all alike and in great number;
- where too few pieces pile up, those that the next record of the same conversation follows at once were cut by the timeout,
  and the middle one of their durations tells it;
- no RFC gives a default (RFC 3954 3.2 and RFC 6728 4.3.2 leave it open); 60, 300 and 1800 s are usual (common
  practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.duplicates import conversation_keys, repeated
from flowdiag.aggregator.site_flows import SiteFlows

USUAL_S: Final = (10, 15, 20, 30, 60, 90, 120, 180, 240, 300, 600, 900, 1200, 1800, 3600)
DEFAULT_S: Final = 60
LEAST_PILE: Final = 3  # pieces that make a pile; two may be chance
# Of a timeout that is short or not usual: the longest of many short flows are near each other by chance, in both directions.
LEAST_ODD_PILE: Final = 12
# A record of so many packets tells how far apart they are; those of one keepalive are of one length but for its jitter.
LEAST_SPACED: Final = 4
ALIKE_S: Final = 1.0
SHORTEST_S: Final = 5  # shorter piles are retransmission and keepalive timers of applications
LONGER: Final = 0.25  # of a pile may be longer than it: exporters that look rarely, or flows put together
# Where the longest durations are looked at for timeouts that are not usual: the 3rd longest, the 10th and so on.
RANKS: Final = (3, 10, 30, 100, 300, 1000, 3000)
CONSISTENT: Final = 0.02  # of the durations may exceed an announced timeout
# The next record of a flow that was cut begins so soon; idle timeouts are longer (RFC 7012 5.11 has both as end reasons).
FOLLOWS_MS: Final = 1_000
LEAST_CUT: Final = 3  # records that were cut, for a middle one
MOST_LOOKED_AT: Final = (
    200_000  # flows next to each other, so that those that follow one another are among them
)


def estimate_resolution(
    durations_ms: Collection[int] | NDArray[np.int64],
    announced_s: int | None,
    cut_ms: Callable[[], NDArray[np.int64]] | None = None,
    packets: NDArray[np.float64] | None = None,
) -> tuple[int, bool]:
    """(active timeout in seconds, whether it is known).

    durations_ms: of all flows or a fair sample; packets: of each as they were seen, None where all have many.
    announced_s: what the exporter says (element 36), taken if the durations do not contradict it. cut_ms: durations of the
    records that cut long flows, asked for only where there is no pile. Without those, records of packets far apart tell it
    where one usual timeout alone explains them. Else the value is the least usual timeout that no flow exceeds (at least
    DEFAULT_S), and not known.
    """
    seconds = _seconds(durations_ms)
    durations = np.sort(seconds[seconds >= SHORTEST_S])
    if announced_s is not None and announced_s > 0:
        longer = _count(durations, _pile_edges(announced_s)[1], np.inf)
        if longer <= max(CONSISTENT * len(durations), LEAST_PILE):
            return announced_s, True
    telling = (
        durations if packets is None else np.sort(seconds[_tell(seconds, packets) & (seconds >= SHORTEST_S)])
    )
    piles = [second for second in _candidates(telling) if _is_pile(telling, second)]
    if piles:
        return _best(piles), True
    longest = float(durations[-1]) if len(durations) else 0.0
    cut = np.zeros(0, np.int64) if cut_ms is None else cut_ms()
    if len(cut) >= LEAST_CUT:
        return max(-(-int(np.median(cut)) // 1000), 1), True
    if packets is not None and (between := _between(seconds, packets, durations)):
        return between, True
    return next((usual for usual in USUAL_S if usual >= max(longest, DEFAULT_S)), round(longest)), False


def cut_durations_ms(flows: SiteFlows) -> NDArray[np.int64]:
    """Durations in ms of the records that the next one of their conversation follows at once; shape [n]."""
    first = max(len(flows) - MOST_LOOKED_AT, 0) // 2
    rows = first + np.flatnonzero(flows.link[first : first + MOST_LOOKED_AT] >= 0)
    return cut_durations(conversation_keys(flows, rows), flows.start_ms[rows], flows.end_ms[rows])


def cut_durations(
    keys: NDArray[np.uint64], start_ms: NDArray[np.int64], end_ms: NDArray[np.int64]
) -> NDArray[np.int64]:
    """The same of records by a key of their conversation, link and direction; all of one length.

    Of records that all name the conversation's start (shared_starts.py) each piece lasts from the one before to its end.
    """
    repeats = repeated(keys)  # most conversations are of one record
    keys, start_ms, end_ms = keys[repeats], start_ms[repeats], end_ms[repeats]
    order = np.lexsort((end_ms, start_ms, keys))
    before, after = order[:-1], order[1:]
    same = keys[before] == keys[after]
    wait = start_ms[after] - end_ms[before]
    follows = same & (wait >= -FOLLOWS_MS) & (wait <= FOLLOWS_MS)
    cut = before[follows & (end_ms[before] > start_ms[before])]
    grown = np.where(same & (start_ms[after] == start_ms[before]), end_ms[after] - end_ms[before], 0)
    return np.concatenate([end_ms[cut] - start_ms[cut], grown[grown > FOLLOWS_MS]])


def _seconds(durations_ms: Iterable[int] | NDArray[np.int64]) -> NDArray[np.float64]:
    if isinstance(durations_ms, np.ndarray):
        return durations_ms.astype(np.float64) / 1000.0
    return np.fromiter(durations_ms, np.float64) / 1000.0


def _count(ordered: NDArray[np.float64], low: float, high: float) -> int:
    """How many of the ordered values lie in [low, high)."""
    first, stop = np.searchsorted(ordered, [low, high])
    return int(stop - first)


def _tell(seconds: NDArray[np.float64], packets: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether packets follow one another so closely that the end of a record is where a timeout cut it."""
    spacing = seconds / np.maximum(packets - 1.0, 1.0)
    close: NDArray[np.bool_] = spacing <= _early(seconds)
    return close


def _between(
    seconds: NDArray[np.float64], packets: NDArray[np.float64], ordered: NDArray[np.float64]
) -> int | None:
    """The one usual timeout that lies between the last packet of many records alike, as those of a keepalive are, and the
    packet that would have come next; None where there is none or more than one.
    """
    few = np.flatnonzero((packets >= LEAST_SPACED) & (seconds >= SHORTEST_S))
    last = seconds[few]
    following = last * packets[few] / (packets[few] - 1.0)
    fitting = []
    for second in USUAL_S:
        high = _pile_edges(second)[1]
        near = last[(last < high) & (following >= second - _early(second))]
        alike = len(near) and float(np.median(np.abs(near - np.median(near)))) <= ALIKE_S
        if alike and len(near) >= LEAST_ODD_PILE and _count(ordered, high, np.inf) <= LONGER * len(near):
            fitting.append(second)
    return fitting[0] if len(fitting) == 1 else None


def _early(seconds: NDArray[np.float64] | float) -> Any:
    """How much under a timeout the pieces of a flow may end that it cuts, in seconds."""
    return 0.02 * seconds + np.minimum(0.05 * seconds, 1.5)


def _pile_edges(second: int) -> tuple[float, float]:
    """Where pieces of a timeout lie: from a little under it to how late exporters look, in seconds."""
    late = 0.03 * second + min(1.0 + 0.05 * second, 5.0)
    return second - _early(second), second + late


def _candidates(ordered: NDArray[np.float64]) -> list[int]:
    """Timeouts worth a look: the usual ones, and where the longest durations are."""
    seconds = {int(ordered[-rank]) for rank in RANKS if rank <= len(ordered)}
    return sorted(seconds | set(USUAL_S))


def _best(piles: list[int]) -> int:
    """Of ascending timeouts that all fit: the longest pile, by its usual name, or else where it begins."""
    lowest = min(pile for pile in piles if _pile_edges(pile)[1] >= piles[-1])
    return max((pile for pile in piles if pile >= lowest and pile in USUAL_S), default=lowest)


def _is_pile(ordered: NDArray[np.float64], second: int) -> bool:
    """Whether durations pile up at a timeout: many there, hardly any longer, and fewer just under it."""
    low, high = _pile_edges(second)
    pile = _count(ordered, low, high)
    under = _count(ordered, low - (high - low), low)
    least = LEAST_PILE if second in USUAL_S and second >= DEFAULT_S else LEAST_ODD_PILE
    return pile >= least and _count(ordered, high, np.inf) <= LONGER * pile and pile >= 2 * under
