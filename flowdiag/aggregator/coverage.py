"""How well the export covers a time span: what was heard, what was lost, how fine the records are."""

from __future__ import annotations

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from flowdiag.aggregator.remark import Remark
from flowdiag.collector.report import LossEvent


class Coverage(Struct, frozen=True, eq=False):
    """Everything that bounds what the figures can mean. Times are ms since 1970 UTC on the clock of SiteFlows.

    span_ms: [from, to) from the first to the last sign of life of the exporter (messages or flows); None: first_ms, last_ms.
    restarts: [from, to) of each time of which nothing is known because the exporter restarted with flows in its cache.
    heard: bool per window of the Usage grid: the exporter gave a sign of life (a message, or a flow that covers it).
    messages_ms: start of each minute with a message, ascending; empty where that is not known.
    resolution_s: the exporter's active timeout as seen in the data; shorter bursts cannot be seen.
    resolution_known: False when too few long flows were there to read it off.
    links_apart: False where several links cannot be told apart (no interface numbers).
    arrived: per link, whether its download was metered where it came in (element 61), so that the link's queue was
    behind it; an upload is always metered before or at the queue, and empty means that nothing is known.
    """

    records: int
    first_ms: int | None
    last_ms: int | None
    heard: NDArray[np.bool_]
    losses: tuple[LossEvent, ...]
    lost_records: int
    lost_messages: int
    lost_is_estimate: bool
    undecoded_records: int
    sampling: float
    resolution_s: int
    resolution_known: bool
    links_apart: bool
    interface_names: dict[int, str]
    remarks: tuple[Remark, ...]
    span_ms: tuple[int, int] | None = None
    restarts: tuple[tuple[int, int], ...] = ()
    arrived: tuple[bool, ...] = ()
    messages_ms: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))

    @property
    def span(self) -> tuple[int, int] | None:
        """[from, to) that the export covers; None for one without times."""
        if self.span_ms is not None or self.first_ms is None or self.last_ms is None:
            return self.span_ms
        return self.first_ms, max(self.last_ms, self.first_ms + 1)
