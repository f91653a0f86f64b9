"""What the links carried in any time: the one question that figures and series ask, of flows or of sums.

Flows answer it for any time; sums that were kept of flows answer it for whole minutes (flowdiag/rollup/).
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.build import build_usage
from flowdiag.aggregator.chunks import chunked_sum, chunks
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.spread import WindowGrid, part_inside
from flowdiag.aggregator.usage import Usage
from flowdiag.durations import Span
from flowdiag.site.profile import Profile

CODE_POINTS = 65  # of DSCP, from -1 (not exported) on


class Carried(Protocol):
    """Of the links of one profile, in their order."""

    def totals(self, span_ms: Span) -> NDArray[np.float64]:
        """Octets inside [from, to), with framing and of IP; shape [2, link * 2 + direction]."""
        ...

    def usage(self, grid: WindowGrid, *, with_bounds: bool = False) -> Usage:
        """Usage of each link and direction in the windows of a grid."""
        ...

    def by_code_point(self, link: int, direction: int, span_ms: Span) -> NDArray[np.float64]:
        """IP octets and packets of a link direction inside [from, to) by DSCP from -1 on; shape [2, CODE_POINTS]."""
        ...

    def touches(self, span_ms: Span) -> bool:
        """Whether any flow, on a link or not, touches [from, to)."""
        ...


class FlowsCarried(Struct, frozen=True, eq=False):
    """Carried, by flows."""

    flows: SiteFlows
    profile: Profile

    def totals(self, span_ms: Span) -> NDArray[np.float64]:
        flows, count = self.flows, 2 * len(self.profile.link)

        def sums(step: slice) -> NDArray[np.float64]:
            start, end = flows.start_ms[step], flows.end_ms[step]
            if not len(start) or start.min() >= span_ms[1] or end.max() < span_ms[0]:
                return np.zeros((2, count))
            part = part_inside(start, end, *span_ms)
            both = [flows.wire_octets[step], flows.octets[step]]
            link = flows.link[step].astype(np.intp)
            series = link * 2 + flows.direction[step]
            chosen = (link >= 0) & (part > 0.0)
            if not chosen.all():
                rows = np.flatnonzero(chosen)
                series, part, both = series[rows], part[rows], [octets[rows] for octets in both]
            return np.stack([np.bincount(series, octets * part, count) for octets in both])

        return chunked_sum(sums, len(flows))

    def usage(self, grid: WindowGrid, *, with_bounds: bool = False) -> Usage:
        return build_usage(self.flows, self.profile, grid, with_bounds=with_bounds)

    def by_code_point(self, link: int, direction: int, span_ms: Span) -> NDArray[np.float64]:
        flows = self.flows

        def sums(step: slice) -> NDArray[np.float64]:
            rows = step.start + np.flatnonzero(
                (flows.link[step] == link) & (flows.direction[step] == direction)
            )
            part = part_inside(flows.start_ms[rows], flows.end_ms[rows], *span_ms)
            code = flows.dscp[rows].astype(np.intp) + 1
            return np.stack(
                [
                    np.bincount(code, counts[rows] * part, CODE_POINTS)
                    for counts in (flows.octets, flows.packets)
                ]
            )

        return chunked_sum(sums, len(flows))

    def touches(self, span_ms: Span) -> bool:
        flows = self.flows

        def touches(step: slice) -> bool:
            start = flows.start_ms[step]
            return bool(
                ((start < span_ms[1]) & (np.maximum(flows.end_ms[step], start + 1) > span_ms[0])).any()
            )

        return any(map(touches, chunks(len(flows))))
