"""Octets and packets of flows: which of a template's counters count, and running totals made into differences.

Facts the design follows:
- deltas count before totals: exporters that send both may mean their own totals, not the flow's (RFC 7012 3.2,
  common practice);
- 231/232 and 298/299 are the two directions of a session in one record, RFC 5103's reverse elements too;
- 23 and 24 are counts after the device's own change of the same packets (RFC 7012 2.3), used where there is
  nothing else;
- layer-2 octets count the frame (RFC 7133 3.1) and stand in only where no IP count is exported; what has no
  addresses, such as ARP, is not IP and gets none;
- totals of one flow run on from record to record (RFC 5102 5.10.4): the difference to the flow's last record
  counts. A falling total is a restart of the count, or the wrap of a counter sent in few octets.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from flowdiag.collector.decode import ie
from flowdiag.collector.decode.columns import Columns

Counts = NDArray[np.uint64]


class Counters(NamedTuple):
    """octets, packets: zeros where not exported. running: they are totals of the flow; layer2: octets of
    frames."""

    octets: Counts
    packets: Counts
    running: bool = False
    layer2: bool = False


def forward_counters(columns: Columns) -> Counters:
    """The counters of source to destination."""
    if columns.has(ie.OCTET_DELTA, ie.PACKET_DELTA):
        octets, packets = _wide(columns, ie.OCTET_DELTA), _wide(columns, ie.PACKET_DELTA)
        if columns.has(ie.OCTET_DELTA):
            return Counters(octets, packets)
        if columns.has(ie.POST_OCTET_DELTA):
            return Counters(_wide(columns, ie.POST_OCTET_DELTA), packets)
        return Counters(_wide(columns, ie.LAYER2_OCTET_DELTA), packets, layer2=True)
    if columns.has(ie.INITIATOR_OCTETS, ie.RESPONDER_OCTETS):
        return Counters(_wide(columns, ie.INITIATOR_OCTETS), _wide(columns, ie.INITIATOR_PACKETS))
    if columns.has(ie.OCTET_TOTAL, ie.PACKET_TOTAL):
        octets, packets = _wide(columns, ie.OCTET_TOTAL), _wide(columns, ie.PACKET_TOTAL)
        if columns.has(ie.OCTET_TOTAL):
            return Counters(octets, packets, running=True)
        return Counters(_wide(columns, ie.LAYER2_OCTET_TOTAL), packets, running=True, layer2=True)
    if columns.has(ie.POST_OCTET_DELTA, ie.POST_PACKET_DELTA):
        return Counters(_wide(columns, ie.POST_OCTET_DELTA), _wide(columns, ie.POST_PACKET_DELTA))
    zeros = np.zeros(columns.count, np.uint64)
    if columns.has(ie.LAYER2_OCTET_DELTA):
        return Counters(_wide(columns, ie.LAYER2_OCTET_DELTA), zeros, layer2=True)
    return Counters(_wide(columns, ie.LAYER2_OCTET_TOTAL), zeros, running=True, layer2=True)


def reverse_counters(columns: Columns) -> Counters | None:
    """The counters of destination to source where a record holds both directions."""
    reverse = columns.reversed()
    if reverse.has(ie.OCTET_DELTA, ie.PACKET_DELTA, ie.OCTET_TOTAL, ie.PACKET_TOTAL, ie.POST_OCTET_DELTA):
        return forward_counters(reverse)
    if columns.has(ie.OCTET_DELTA, ie.PACKET_DELTA) or not columns.has(
        ie.INITIATOR_OCTETS, ie.RESPONDER_OCTETS
    ):
        return None
    return Counters(_wide(columns, ie.RESPONDER_OCTETS), _wide(columns, ie.RESPONDER_PACKETS))


def _wide(columns: Columns, number: int) -> Counts:
    values = columns.integer(number)
    return np.zeros(columns.count, np.uint64) if values is None else values.astype(np.uint64, copy=False)


_MAX_COUNT: Final = (1 << 64) - 1


def scaled(counts: Counts, factors: float | NDArray[np.float64]) -> Counts:
    """counts times factors, rounded to the nearest; no more than the type holds."""
    if isinstance(factors, float):
        if factors == 1:
            return counts
        factors = np.full(1, factors)
    if (factors == np.floor(factors)).all():
        whole = factors.astype(np.uint64)
        exact: Counts = np.minimum(counts, np.uint64(_MAX_COUNT) // whole) * whole
        return exact
    product = np.rint(counts.astype(np.float64) * factors)
    # The largest float below 2^64; the next one does not fit.
    return np.minimum(product, np.nextafter(2.0**64, 0)).astype(np.uint64)


# A counter that wrapped was in the last quarter of its range and is in the first.
_QUARTER: Final = 4


class RunningTotals:
    """The last totals of each flow: of the flows heard from last, up to a bound for all domains."""

    def __init__(self, bound: int) -> None:
        self._bound = bound
        self._last: dict[tuple[tuple[int, str], bytes], tuple[int, ...]] = {}

    def differences(
        self, counter: tuple[int, str], keys: NDArray[np.uint8], totals: NDArray[np.uint64], widths: list[int]
    ) -> Counts:
        """What each record adds to its flow.

        counter: domain and direction that are counted; keys: octets that name each record's flow, shape (records, n);
        totals: shape (records, 2); widths: octets of each counter on the wire, 0 if it was not sent. Records in order of
        export.
        """
        if not len(keys):
            return totals
        named = np.ascontiguousarray(keys).view(f"V{keys.shape[1]}")[:, 0]
        flows, inverse = np.unique(named, return_inverse=True)
        order = np.argsort(inverse.reshape(-1), kind="stable")
        sorted_totals = totals[order]
        starts = np.flatnonzero(np.diff(inverse.reshape(-1)[order], prepend=-1))
        before = np.empty_like(sorted_totals)
        before[1:] = sorted_totals[:-1]
        names = [(counter, flow.tobytes()) for flow in flows]
        none = (0,) * totals.shape[1]
        before[starts] = [self._last.get(name, none) for name in names]
        last = sorted_totals[np.append(starts[1:], len(order)) - 1]
        for name, values in zip(names, map(tuple, last.tolist()), strict=True):
            self._last.pop(name, None)
            self._last[name] = values
        while len(self._last) > self._bound:
            del self._last[next(iter(self._last))]
        added = np.where(
            sorted_totals >= before, sorted_totals - before, _after_fall(sorted_totals, before, widths)
        )
        result = np.empty_like(totals)
        result[order] = added
        return result


def _after_fall(totals: Counts, before: Counts, widths: list[int]) -> NDArray[Any]:
    """What a total that fell has added: across the wrap of a narrow counter, else all since a restart."""
    added = totals.copy()
    for column, width in enumerate(widths):
        if 0 < width < 8:
            ranged = 1 << (8 * width)
            wrapped = (before[:, column] >= ranged - ranged // _QUARTER) & (
                totals[:, column] < ranged // _QUARTER
            )
            across = totals[:, column] + (np.uint64(ranged) - before[:, column])
            added[:, column] = np.where(wrapped, across, totals[:, column])
    return added
