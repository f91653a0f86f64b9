"""The flow records of one site, seen from the site: which link, which way, who inside, who outside.

This is the shape between the aggregator and the diagnoser. It holds one row per flow record and link direction
that the record counts on; a packet that was metered twice (at ingress and at egress, or by two observation
points) is in it once per link. Columns are numpy arrays of one length.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np
from msgspec import Struct
from msgspec.structs import asdict
from numpy.typing import NDArray

from flowdiag.aggregator.chunks import chunks
from flowdiag.aggregator.concurrently import in_order

DOWN: Final = 0
UP: Final = 1
DIRECTION_NAMES: Final = ("down", "up")
NO_LINK: Final = -1


class SiteFlows(Struct, frozen=True, eq=False):
    """Columns, all of length n.

    start_ms, end_ms: int64, ms since 1970 UTC, on the capture's clock where it disagrees with the exporter's.
    octets, packets: float64, IP octets and packets scaled for sampling; wire_octets: the link's framing included.
    link: int8, index into the profile's links, or NO_LINK for local traffic and traffic that left by no link
      (such rows have direction -1 and stay for what they tell: the exporter was alive, a host tried).
    direction: int8, DOWN or UP, or -1.
    inside, outside: int32, index into `addresses` (16 octets each, IPv4 mapped).
    inside_port, outside_port: int32, -1 if unknown; ICMP type*256+code stands in the destination's port.
    protocol: int16, -1 if unknown. tcp_flags: int32, -1 if unknown. dscp: int8, -1 if unknown.
    application: int32, index into `applications` (display names; "unknown" where nothing is known).
    opened_inside: int8, 1 the inside end opened the conversation, 0 the outside end did, -1 not known.
    end_reason: uint8, 0 if unknown. sampling: float32.
    ingress, egress: int32 ifIndex, -1 if not exported.
    message: uint16, number of the export message (see records.Interner.number_messages); None once repetitions are
      dropped.
    """

    start_ms: NDArray[np.int64]
    end_ms: NDArray[np.int64]
    octets: NDArray[np.float64]
    packets: NDArray[np.float64]
    wire_octets: NDArray[np.float64]
    link: NDArray[np.int8]
    direction: NDArray[np.int8]
    inside: NDArray[np.int32]
    outside: NDArray[np.int32]
    inside_port: NDArray[np.int32]
    outside_port: NDArray[np.int32]
    protocol: NDArray[np.int16]
    tcp_flags: NDArray[np.int32]
    dscp: NDArray[np.int8]
    application: NDArray[np.int32]
    opened_inside: NDArray[np.int8]
    end_reason: NDArray[np.uint8]
    sampling: NDArray[np.float32]
    ingress: NDArray[np.int32]
    egress: NDArray[np.int32]
    addresses: tuple[bytes, ...]
    applications: tuple[str, ...]
    message: NDArray[np.uint16] | None = None

    def __len__(self) -> int:
        return len(self.start_ms)

    @property
    def insides(self) -> int:
        """All of `inside` lie below this number, which is far less than there are addresses."""
        return int(self.inside.max(initial=-1)) + 1

    def at(self, rows: slice | NDArray[np.intp]) -> SiteFlows:
        """Some of the flows; of a slice without a copy."""
        columns: dict[str, Any] = {
            name: value[rows] if isinstance(value, np.ndarray) else value
            for name, value in asdict(self).items()
        }
        return SiteFlows(**columns)


def select(flows: SiteFlows, condition: Callable[[SiteFlows], NDArray[np.bool_]]) -> NDArray[np.bool_]:
    """Which flows meet a condition, which is asked of some of them at a time. Shape [n]."""
    return np.concatenate(list(in_order(lambda step: condition(flows.at(step)), chunks(len(flows)))))
