"""THE SHAPE of a roll-up: what is kept of a file of flows, all of which are one exporter's and ended on one UTC day.

Two kinds of time stand in it, and each has its reason:
- a minute's sums are what the flows can have sent in it: each is spread evenly over its own time, as everywhere, and the
  minutes of a file add up to its octets exactly;
- an hour's summaries are of the flows that *ended* in it, whole. So each flow is in one hour, and a reader may take some
  hours from summaries and the flows of the others from their file without counting any twice.

Interfaces are as exported (-1: not exported). `metered` is flowDirection (RFC 5102 5.11.6): 0 ingress, 1 egress, 2 not
exported. Octets and packets are scaled for sampling, as in the flow table. Framing is a matter of the profile: wire octets
are octets + padding + what the framing adds to each packet, with padding_46 or padding_38, which are what short packets
are padded with to 46 and 38 octets (IEEE 802.3; behind RFC 2516's 8 octets), by each flow's mean.
"""

from __future__ import annotations

from typing import Final

import pyarrow as pa
from msgspec import Struct

from flowdiag.flows import ADDRESS, FLOW_SCHEMA

# Which record of an exporter it was, as far as it decides what counts: in all tables.
_POINT: Final = [
    pa.field("domain", pa.uint32()),
    pa.field("ingress", pa.int64()),
    pa.field("egress", pa.int64()),
    pa.field("metered", pa.int8()),
]
_AMOUNTS: Final = [
    pa.field("octets", pa.uint64()),
    pa.field("packets", pa.uint64()),
    pa.field("padding_46", pa.uint64()),
    pa.field("padding_38", pa.uint64()),
    pa.field("flows", pa.uint64()),
]
POINT: Final = tuple(field.name for field in _POINT)
AMOUNTS: Final = tuple(field.name for field in _AMOUNTS)

# One row for each minute (minutes since 1970 UTC) and kind of record that has anything in it; in order of the keys.
# flows: that began in it. peak: the most octets of any five seconds of it, with the most that any framing adds: an upper
# bound. least_*: of flows wholly inside the minute; most_*: of flows that touch it, each as if all of it fell there.
MINUTE_KEYS: Final = ("minute", *POINT, "dscp")
MINUTES: Final = pa.schema(
    [
        pa.field("minute", pa.int64()),
        *_POINT,
        pa.field("dscp", pa.int8()),  # -1 unknown
        *_AMOUNTS,
        pa.field("peak", pa.uint64()),
        pa.field("least_octets", pa.uint64()),
        pa.field("least_packets", pa.uint64()),
        pa.field("most_octets", pa.uint64()),
        pa.field("most_packets", pa.uint64()),
    ]
)
PEAK_MS: Final = 5_000

# scope: 1 if the source is of a private network (RFC 1918, RFC 4193 and the like), + 2 if the destination is.
_SCOPE: Final = pa.field("scope", pa.int8())
_SEEN: Final = [pa.field("first_ms", pa.int64()), pa.field("last_ms", pa.int64())]

# One row for each hour (hours since 1970 UTC) and address at one end (0 source, 1 destination) of the flows.
HOST_KEYS: Final = ("hour", *POINT, "scope", "end", "address")
HOSTS: Final = pa.schema(
    [pa.field("hour", pa.int64()), *_POINT, _SCOPE, pa.field("end", pa.int8()), pa.field("address", ADDRESS),
     *_AMOUNTS, *_SEEN]
)  # fmt: skip
# One row for each hour and service: port of the end that is the service (-1 undecided or none), protocol (-1 unknown), and
# the name that the exporter gives (null for none).
SERVICE_KEYS: Final = ("hour", *POINT, "scope", "protocol", "port", "application")
SERVICES: Final = pa.schema(
    [pa.field("hour", pa.int64()), *_POINT, _SCOPE, pa.field("protocol", pa.int16()), pa.field("port", pa.int32()),
     pa.field("application", pa.string()), *_AMOUNTS, *_SEEN]
)  # fmt: skip
# One row for each hour and conversation, in the columns of the flow table (an exporter with a timeout of an hour that does
# not look at clients' ports would send such records): the port of the end that is not the service is null, and both are
# where that is undecided (of ICMP the type and code in dst_port stays); tcp_flags is the OR, start and end the first and
# last; end_reason is null. Rows whose conversations were folded stand for all of them of one kind of record, protocol and
# pair of private ends: an end that is not private, and beyond the bound any end, is null, as are ports, flags and
# application; their time may be longer, by that of those of their kind which were kept.
STAND_IN_COLUMNS: Final = tuple(name for name in FLOW_SCHEMA.names if name != "exporter")
CONVERSATIONS: Final = pa.schema(
    [
        pa.field("hour", pa.int64()),
        *(FLOW_SCHEMA.field(name) for name in STAND_IN_COLUMNS if name != "application"),
        pa.field("application", pa.string()),
        pa.field("padding_46", pa.uint64()),
        pa.field("padding_38", pa.uint64()),
        pa.field("flows", pa.uint64()),
        pa.field("folded", pa.bool_()),
    ]
)

# What was folded out of the summaries of hosts, services and conversations (kind), so that totals are whole: one row for
# each hour, kind and kind of record that has lost keys. keys: how many, at most; error: the most octets that one key of the
# hour, kind and kind of record may have lost by it. Of hosts it is what both ends lost, so that hosts and this make twice the
# flows; of conversations it is what the folded rows of their table hold, once more.
FOLDED: Final = pa.schema(
    [pa.field("hour", pa.int64()), pa.field("kind", pa.string()), *_POINT, _SCOPE, *_AMOUNTS,
     pa.field("keys", pa.uint64()), pa.field("error", pa.uint64())]
)  # fmt: skip
KINDS: Final = ("hosts", "services", "conversations")

# What of an hour only flows can tell, as bounds: records that ended in it; bare_syns: of them, SYN without ACK;
# most_destinations: addresses that one source sent to, at most; most_sources: addresses that sent to one destination.
HOURS: Final = pa.schema(
    [
        pa.field("hour", pa.int64()),
        pa.field("records", pa.uint64()),
        pa.field("bare_syns", pa.uint64()),
        pa.field("most_destinations", pa.uint64()),
        pa.field("most_sources", pa.uint64()),
    ]
)

TABLES: Final = {
    "minutes": MINUTES,
    "hosts": HOSTS,
    "services": SERVICES,
    "conversations": CONVERSATIONS,
    "folded": FOLDED,
    "hours": HOURS,
}

# Why the sums of a file cannot stand for its flows.
REPEATED: Final = "repeated"  # records repeat others at another metering point that is not told (element 61)
STARTS: Final = "starts"  # records name the begin of their conversation as their own start
CLOCK: Final = "clock"  # the exporter's clock is off
LONG: Final = "long"  # records of more than a day, or of times that cannot be, which are in no table
REASONS: Final = (REPEATED, STARTS, CLOCK, LONG)


class Facts(Struct, frozen=True):
    """What a roll-up says of its file as a whole.

    rows: records; first_ms, last_ms: of the records with times, None without; longest_ms: the longest record; packets,
    packets_seen: scaled for sampling, and as they were seen; untimed, not_ip: records without any time, and without octets
    and addresses, which are in no table; needs_flows: of REASONS, why the flows have to be read all the same; durations_ms,
    duration_packets: a fair sample of the records' durations with their packets as seen, for the active timeout; cut_ms:
    durations of records that the next one of their conversation followed at once.
    """

    rows: int
    first_ms: int | None
    last_ms: int | None
    longest_ms: int = 0
    packets: float = 0.0
    packets_seen: float = 0.0
    untimed: int = 0
    not_ip: int = 0
    needs_flows: tuple[str, ...] = ()
    durations_ms: tuple[int, ...] = ()
    duration_packets: tuple[int, ...] = ()
    cut_ms: tuple[int, ...] = ()


class RollUp(Struct, frozen=True, eq=False):
    """exporter: 16 octets; report: the schema metadata with what the decoder learned (readers/stored_flows.py), as in the file
    of the flows; tables: by name, of TABLES; those that were not asked for are missing."""

    exporter: bytes
    facts: Facts
    report: dict[bytes, bytes]
    tables: dict[str, pa.Table]
