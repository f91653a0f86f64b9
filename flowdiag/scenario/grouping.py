"""Messages that hold both address families: the records of a message stand in one set per family."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.scenario.columns import V4, V6, flow_fields
from flowdiag.scenario.exporting import Exporting, plan_messages
from flowdiag.scenario.transfers import is_v4

# A message fits one Ethernet frame: 1500 less IPv4 and UDP headers (28), message header (20) and two set
# headers with padding (14). RFC 7011 10.3.3 asks UDP exporters to avoid fragments.
ROOM_OCTETS: Final = 1500 - 28 - 20 - 14


class FamilyBatch(NamedTuple):
    """spans: by family, first and last (exclusive) record of that family's own sequence."""

    time_ms: int
    spans: dict[int, tuple[int, int]]
    templates: bool


class FamilyBatches:
    """records: by family, in order of export. batches: messages in order; template messages carry no flow records."""

    def __init__(
        self,
        records: NDArray[Any],
        addresses: NDArray[np.uint8],
        exporting: Exporting,
        start_ms: int,
        end_ms: int,
    ) -> None:
        mapped = is_v4(addresses)
        first_family = mapped[records["src"]] if len(records) else np.zeros(0, bool)
        self.records = {V4: records[first_family], V6: records[~first_family]}
        widest = V4 if first_family.all() else V6
        width = sum(field.octets for field in flow_fields(exporting, widest))
        fitting = min(exporting.records_per_message, ROOM_OCTETS // width)
        before = np.concatenate([[0], np.cumsum(first_family)]).tolist()
        self.batches = [
            FamilyBatch(
                batch.time_ms,
                {
                    V4: (before[batch.first], before[batch.last]),
                    V6: (batch.first - before[batch.first], batch.last - before[batch.last]),
                },
                batch.templates,
            )
            for batch in plan_messages(
                records, replace(exporting, records_per_message=fitting), start_ms, end_ms
            )
        ]
