"""THE SHAPE: the Arrow schema of the flow table. Every wing depends on this module alone.

One row is one flow record as an exporter sent it (a bidirectional record, RFC 5103, becomes two rows).

| column | type | unit and meaning |
|---|---|---|
| start, end | timestamp ms UTC | first and last packet, by the exporter's clock; null if unknown or impossible |
| src_address, dst_address | binary(16) | IPv4 as IPv4-mapped IPv6 (RFC 4291 2.5.5.2); null for non-IP records |
| src_port, dst_port | uint16 | 0 where the protocol has none; dst_port holds type*256+code for ICMP; null if not exported |
| protocol | uint8 | IANA protocol number; null if not exported |
| octets, packets | uint64 | IP octets and packets, scaled for sampling |
| ingress_interface, egress_interface | uint32 | ifIndex; null if not exported |
| tcp_flags | uint16 | tcpControlBits (RFC 7125), OR over the flow; null if not exported |
| dscp | uint8 | DiffServ code point, 0 to 63 (RFC 2474); null if not exported |
| direction | uint8 | flowDirection, element 61: 0 ingress, 1 egress; null if not exported |
| application | dictionary<int32, string> | name the exporter gives (RFC 6759); null if none |
| end_reason | uint8 | flowEndReason, element 136; null if not exported |
| exporter | binary(16) | address of the exporter, all zero if the container does not tell |
| domain | uint32 | observation domain id (IPFIX), source id (v9), engine type*256+id (v5) |
| sampling | uint32 | factor by which octets and packets were multiplied, rounded; 1 if unsampled |

A batch of the decoder also tells, in its schema's metadata, which of its rows came in one export message
(MESSAGES_KEY): tables that are made of batches, and files, do not have it.

Names follow the IPFIX registry; units follow RFC 7012 and RFC 5102 5.10 (octets are IP header and payload).
"""

from __future__ import annotations

from typing import Final

import pyarrow as pa

ADDRESS: Final = pa.binary(16)

# Metadata of a batch: the first row of each export message in it, int32 in the machine's byte order, ascending.
MESSAGES_KEY: Final = b"flowdiag.messages"

FLOW_SCHEMA: Final = pa.schema(
    [
        pa.field("start", pa.timestamp("ms", tz="UTC")),
        pa.field("end", pa.timestamp("ms", tz="UTC")),
        pa.field("src_address", ADDRESS),
        pa.field("dst_address", ADDRESS),
        pa.field("src_port", pa.uint16()),
        pa.field("dst_port", pa.uint16()),
        pa.field("protocol", pa.uint8()),
        pa.field("octets", pa.uint64()),
        pa.field("packets", pa.uint64()),
        pa.field("ingress_interface", pa.uint32()),
        pa.field("egress_interface", pa.uint32()),
        pa.field("tcp_flags", pa.uint16()),
        pa.field("dscp", pa.uint8()),
        pa.field("direction", pa.uint8()),
        pa.field("application", pa.dictionary(pa.int32(), pa.string())),
        pa.field("end_reason", pa.uint8()),
        pa.field("exporter", ADDRESS),
        pa.field("domain", pa.uint32()),
        pa.field("sampling", pa.uint32()),
    ]
)
