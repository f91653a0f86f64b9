"""NetFlow v9 export packets (RFC 3954).

The header's sequence counts packets; its count counts records of every kind, templates too (5.1). Times are
milliseconds of uptime, anchored by the header. FlowSets are padded to four octets. Options: sampling with
scope system, interface names with scope interface (6.1); scope and option lengths are octets of field
definitions.
"""

from __future__ import annotations

import struct
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.scenario.columns import V4, V6, Field, application_rows, flow_fields, pack_records
from flowdiag.scenario.exporting import Exporting, Message
from flowdiag.scenario.grouping import FamilyBatches
from flowdiag.scenario.wire_v5 import UPTIME_MODULUS

TEMPLATE_IDS: Final = {V4: 256, V6: 257}
SAMPLING_ID, INTERFACE_ID, APPLICATION_ID = 300, 301, 302
SCOPE_SYSTEM, SCOPE_INTERFACE = 1, 2
NAME_OCTETS, APPLICATION_OCTETS = 32, 24
RANDOM_SAMPLING: Final = 2  # element 35
_HEADER: Final = struct.Struct("!HHIIII")


def encode(
    records: NDArray[Any],
    addresses: NDArray[np.uint8],
    exporting: Exporting,
    start_ms: int,
    end_ms: int,
    sampling: int = 1,
    names: dict[int, str] | None = None,
) -> list[Message]:
    """Export packets of records (dtype RECORD, in order of export). names: interface names by ifIndex."""
    boot_ms = start_ms - exporting.uptime_ms
    groups = FamilyBatches(records, addresses, exporting, start_ms, end_ms)
    times = {"start_uptime": "start", "end_uptime": "end"}
    widths, payloads = {}, {}
    for family in (V4, V6):
        fields = flow_fields(exporting, family)
        part = groups.records[family]
        columns = {name: (part[source] - boot_ms) % UPTIME_MODULUS for name, source in times.items()}
        payloads[family] = pack_records(part, fields, addresses, columns)
        widths[family] = sum(field.octets for field in fields)
    template_sets, template_count = _templates(exporting)
    options, option_count = _options(exporting, sampling, names or {})
    messages = []
    sequence = exporting.first_sequence
    for batch in groups.batches:
        if batch.templates:
            body, count = template_sets + options, template_count + option_count
        else:
            body, count = b"", 0
            for family in (V4, V6):
                first, last = batch.spans[family]
                if last > first:
                    width = widths[family]
                    body += _flowset(TEMPLATE_IDS[family], payloads[family][first * width : last * width])
                    count += last - first
        clock = (batch.time_ms + exporting.clock_offset_ms) // 1000
        uptime = (batch.time_ms - boot_ms) % UPTIME_MODULUS
        header = _HEADER.pack(9, count, uptime, clock, sequence % UPTIME_MODULUS, exporting.domain)
        messages.append(Message(batch.time_ms, header + body))
        sequence += 1
    return messages


def _flowset(number: int, content: bytes) -> bytes:
    padding = -len(content) % 4
    return struct.pack("!HH", number, 4 + len(content) + padding) + content + bytes(padding)


def _fields(fields: tuple[Field, ...]) -> bytes:
    return b"".join(struct.pack("!HH", field.element, field.octets) for field in fields)


def _templates(exporting: Exporting) -> tuple[bytes, int]:
    records = b""
    for family in (V4, V6):
        fields = flow_fields(exporting, family)
        records += struct.pack("!HH", TEMPLATE_IDS[family], len(fields)) + _fields(fields)
    return _flowset(0, records), 2


def _option_template(number: int, scope: tuple[int, int], options: tuple[tuple[int, int], ...]) -> bytes:
    head = struct.pack("!HHH", number, 4, 4 * len(options)) + struct.pack("!HH", *scope)
    return head + b"".join(struct.pack("!HH", *option) for option in options)


def _options(exporting: Exporting, sampling: int, names: dict[int, str]) -> tuple[bytes, int]:
    """Options templates and their data, and how many records (templates and data) that is."""
    templates, data = [], []
    count = 0
    if sampling > 1:
        templates.append(_option_template(SAMPLING_ID, (SCOPE_SYSTEM, 4), ((34, 4), (35, 1))))
        data.append(_flowset(SAMPLING_ID, struct.pack("!IIB", 0, sampling, RANDOM_SAMPLING)))
        count += 2
    if exporting.names and names:
        templates.append(_option_template(INTERFACE_ID, (SCOPE_INTERFACE, 4), ((82, NAME_OCTETS),)))
        rows = [
            struct.pack(f"!I{NAME_OCTETS}s", index, name.encode()) for index, name in sorted(names.items())
        ]
        data.append(_flowset(INTERFACE_ID, b"".join(rows)))
        count += 1 + len(rows)
    if exporting.application_field:
        templates.append(
            _option_template(APPLICATION_ID, (SCOPE_SYSTEM, 4), ((95, 4), (96, APPLICATION_OCTETS)))
        )
        named = [
            struct.pack(f"!II{APPLICATION_OCTETS}s", 0, key, name.encode())
            for key, name in application_rows()
        ]
        data.append(_flowset(APPLICATION_ID, b"".join(named)))
        count += 1 + len(named)
    return b"".join(_flowset(1, template) for template in templates) + b"".join(data), count
