"""IPFIX messages (RFC 7011).

The header's sequence counts data records, options data included, templates not (3.1). Times are absolute
milliseconds or seconds, or microseconds before the message's own export time (158, 159). Strings in options
are of variable length (7).
"""

from __future__ import annotations

import struct
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.scenario.columns import V4, V6, application_rows, flow_fields, pack_records
from flowdiag.scenario.exporting import Exporting, Message
from flowdiag.scenario.grouping import FamilyBatches

TEMPLATE_SET, OPTIONS_TEMPLATE_SET = 2, 3
TEMPLATE_IDS: Final = {V4: 256, V6: 257}
SAMPLING_ID, INTERFACE_ID, APPLICATION_ID = 300, 301, 302
VARIABLE: Final = 65535
RANDOM_SAMPLING: Final = 2  # element 35
LONGEST_DELTA: Final = (1 << 32) - 1
_HEADER: Final = struct.Struct("!HHIII")


def encode(
    records: NDArray[Any],
    addresses: NDArray[np.uint8],
    exporting: Exporting,
    start_ms: int,
    end_ms: int,
    sampling: int = 1,
    names: dict[int, str] | None = None,
) -> list[Message]:
    """Messages of records (dtype RECORD, in order of export). names: interface names by ifIndex."""
    groups = FamilyBatches(records, addresses, exporting, start_ms, end_ms)
    widths, payloads = {}, {}
    for family in (V4, V6):
        fields = flow_fields(exporting, family)
        times = _time_columns(groups, family, exporting)
        payloads[family] = pack_records(groups.records[family], fields, addresses, times)
        widths[family] = sum(field.octets for field in fields)
    options, option_records = _options(exporting, sampling, names or {})
    announcement = _templates(exporting) + options
    messages = []
    sequence = exporting.first_sequence
    for batch in groups.batches:
        if batch.templates:
            body, data_records = announcement, option_records
        else:
            body, data_records = b"", 0
            for family in (V4, V6):
                first, last = batch.spans[family]
                if last > first:
                    width = widths[family]
                    body += _set(TEMPLATE_IDS[family], payloads[family][first * width : last * width])
                    data_records += last - first
        clock = (batch.time_ms + exporting.clock_offset_ms) // 1000
        header = _HEADER.pack(10, _HEADER.size + len(body), clock, sequence & 0xFFFFFFFF, exporting.domain)
        messages.append(Message(batch.time_ms, header + body))
        sequence += data_records
    return messages


def _time_columns(groups: FamilyBatches, family: int, exporting: Exporting) -> dict[str, NDArray[Any]]:
    records = groups.records[family]
    start, end = (records[name] + exporting.clock_offset_ms for name in ("start", "end"))
    if exporting.times == "milliseconds":
        return {"start_ms": start, "end_ms": end}
    if exporting.times == "seconds":
        return {"start_s": start // 1000, "end_s": end // 1000}
    export_ms = np.zeros(len(records), np.int64)
    for batch in groups.batches:
        first, last = batch.spans[family]
        export_ms[first:last] = (batch.time_ms + exporting.clock_offset_ms) // 1000 * 1000
    # The header has whole seconds only, so a record may end up to a second "after" it: such ends count as 0
    # before.
    return {
        name: np.clip((export_ms - times) * 1000, 0, LONGEST_DELTA)
        for name, times in (("start_delta", start), ("end_delta", end))
    }


def _set(number: int, content: bytes) -> bytes:
    return struct.pack("!HH", number, 4 + len(content)) + content


def _templates(exporting: Exporting) -> bytes:
    records = b""
    for family in (V4, V6):
        fields = flow_fields(exporting, family)
        records += struct.pack("!HH", TEMPLATE_IDS[family], len(fields))
        records += b"".join(struct.pack("!HH", field.element, field.octets) for field in fields)
    return _set(TEMPLATE_SET, records)


def _option_template(number: int, fields: tuple[tuple[int, int], ...]) -> bytes:
    """One scope field, the first."""
    head = struct.pack("!HHH", number, len(fields), 1)
    return _set(OPTIONS_TEMPLATE_SET, head + b"".join(struct.pack("!HH", *field) for field in fields))


def _text(text: str) -> bytes:
    raw = text.encode()
    return bytes([len(raw)]) + raw if len(raw) < 255 else b"\xff" + struct.pack("!H", len(raw)) + raw


def _options(exporting: Exporting, sampling: int, names: dict[int, str]) -> tuple[bytes, int]:
    """Options templates with their data, and how many data records that is."""
    templates, data = b"", b""
    count = 0
    if sampling > 1:  # scope: observationDomainId (149); samplingInterval 34, samplingAlgorithm 35
        templates += _option_template(SAMPLING_ID, ((149, 4), (34, 4), (35, 1)))
        data += _set(SAMPLING_ID, struct.pack("!IIB", exporting.domain, sampling, RANDOM_SAMPLING))
        count += 1
    if exporting.names and names:  # scope: ingressInterface (10); interfaceName 82
        templates += _option_template(INTERFACE_ID, ((10, 4), (82, VARIABLE)))
        rows = [struct.pack("!I", index) + _text(name) for index, name in sorted(names.items())]
        data += _set(INTERFACE_ID, b"".join(rows))
        count += len(rows)
    if exporting.application_field:  # scope: applicationId (95); applicationName 96 (RFC 6759 5.1)
        templates += _option_template(APPLICATION_ID, ((95, 4), (96, VARIABLE)))
        named = [struct.pack("!I", key) + _text(name) for key, name in application_rows()]
        data += _set(APPLICATION_ID, b"".join(named))
        count += len(named)
    return templates + data, count
