"""Decoded columns become the flow table: times, counters, sampling, direction, names (flows.py)."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from flowdiag.collector.decode.elements import element_name
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.options import Names
from flowdiag.collector.decode.records import fixed_width
from flowdiag.collector.decode.templates import Template
from flowdiag.collector.report import ExportReport, FieldSpec
from flowdiag.flows import FLOW_SCHEMA, UNKNOWN_ADDRESS

if TYPE_CHECKING:
    from flowdiag.collector.decode.decoder import Domain

NTP_TO_UNIX_S: Final = 2_208_988_800  # RFC 7011 6.1.9
CLOCK_SLACK_MS: Final = (
    60_000  # a flow may end this long after its export: header seconds and clocks are coarse
)
OLDEST_MS: Final = 86_400_000  # a flow that ended a day before its export is not believed
U64 = NDArray[np.uint64]

# NetFlow v5 has one fixed record (common practice; no RFC): it is a template like any other.
V5_TEMPLATE: Final = Template(
    0,
    tuple(
        FieldSpec(e, 0, element_name(0, e), n)
        for e, n in (
            (8, 4), (12, 4), (15, 4), (10, 2), (14, 2), (2, 4), (1, 4), (22, 4), (21, 4), (7, 2), (11, 2), (210, 1),
            (6, 1), (4, 1), (5, 1), (16, 2), (17, 2), (9, 1), (13, 1), (210, 2),
        )
    ),
    variable_allowed=False,
)  # fmt: skip


class Chunk(NamedTuple):
    """The records of one data set, with what their message says: export time (ms), uptime (ms, v9 and v5)."""

    payload: bytes
    records: int
    export_ms: int
    uptime: int
    ordinal: int


class Normaliser:
    """Makes record batches of FLOW_SCHEMA from the data sets of one template."""

    def __init__(self, report: ExportReport, limits: Limits, scale: bool) -> None:
        self.report = report
        self.names = Names(report, limits.names, limits.name_octets)
        self._scale = scale

    def batch(
        self, domain: Domain, template: Template, chunks: list[Chunk]
    ) -> tuple[pa.RecordBatch, NDArray[np.int64]]:
        """The batch and each row's ordinal (export order)."""
        data = np.frombuffer(b"".join([c.payload for c in chunks]), dtype=template.dtype)
        n = len(data)
        counts = np.array([c.records for c in chunks])
        columns = _Columns(template, data)

        def per_row(values: list[int]) -> NDArray[np.int64]:
            return np.repeat(np.array(values, dtype=np.int64), counts)

        export_ms = per_row([c.export_ms for c in chunks])
        start, end = _times(columns, export_ms, per_row([c.uptime for c in chunks]))
        bad = _impossible(start, end, export_ms)
        if n_bad := int(bad.sum()):
            self.report.impossible_times += n_bad
            self.report.problem("", None, "records whose times are impossible (kept out of usage)", n_bad)
        no_time = bad | (start <= 0) | (end <= 0)
        src, dst, no_address = _addresses(columns, n)
        octets = columns.first((1, 85, 23, 231))
        if octets is None:
            layer2 = columns.first((352,))
            octets = np.zeros(n, np.uint64) if layer2 is None else np.where(no_address, 0, layer2)
        packets = columns.first((2, 86, 24, 298))
        if packets is None:
            packets = np.zeros(n, np.uint64)
        report = domain.report
        report.records += n
        report.octets += int(octets.sum())
        report.packets += int(packets.sum())
        in_record = columns.first((34,))
        factor: Any = domain.sampling if in_record is None else np.maximum(in_record, 1).astype(np.float64)
        sampled = in_record is not None or factor != 1.0
        if sampled:
            scaled = np.rint(octets * factor).astype(np.uint64)
            report.octets_scaled += int(scaled.sum())
            report.sampling = float(np.mean(factor))
            if self._scale:
                octets, packets = scaled, np.rint(packets * factor).astype(np.uint64)
        else:
            report.octets_scaled += int(octets.sum())
        self._interfaces(columns, report.exporter)
        src_port, dst_port = _ports(columns)
        tos = columns.first((5,))
        dscp = columns.first((195,)) if tos is None else tos >> np.uint64(2)
        flags = columns.first((6,))
        whole: dict[str, pa.Array] = {
            "start": _timestamps(start, no_time),
            "end": _timestamps(end, no_time),
            "src_address": _binary(src, no_address),
            "dst_address": _binary(dst, no_address),
            "octets": pa.array(octets.astype(np.uint64, copy=False)),
            "packets": pa.array(packets.astype(np.uint64, copy=False)),
            "application": self._applications(columns, n),
            "exporter": _constant(report.exporter or UNKNOWN_ADDRESS, n),
            "domain": pa.array(np.full(n, report.domain, np.uint32)),
            "sampling": pa.array(np.broadcast_to(np.rint(factor), n).astype(np.uint32)),
        }
        numbers: dict[str, U64 | None] = {
            "src_port": src_port,
            "dst_port": dst_port,
            "protocol": columns.first((4,)),
            "ingress_interface": columns.first((10, 252)),
            "egress_interface": columns.first((14, 253)),
            "tcp_flags": None if flags is None else flags & np.uint64(0x0FFF),
            "dscp": dscp,
            "direction": columns.first((61,)),
            "end_reason": columns.first((136,)),
        }
        arrays = []
        for spec in FLOW_SCHEMA:
            if spec.name in whole:
                arrays.append(whole[spec.name])
                continue
            values = numbers[spec.name]
            wide = np.dtype(spec.type.to_pandas_dtype())
            arrays.append(pa.nulls(n, spec.type) if values is None else pa.array(values.astype(wide)))
        return pa.RecordBatch.from_arrays(arrays, schema=FLOW_SCHEMA), per_row([c.ordinal for c in chunks])

    def _applications(self, columns: _Columns, n: int) -> pa.Array:
        kind = FLOW_SCHEMA.field("application").type
        raw = columns.raw((96,)) if columns.has(96) else columns.raw((95,))
        if raw is None:
            return pa.nulls(n, kind)
        keys, index = np.unique(raw, return_inverse=True)
        named = []
        for key in keys:
            octets = bytes(key).rstrip(b"\0")
            inline = octets.decode("utf-8", "replace") if columns.has(96) else None
            named.append(inline or self.names.applications.get(octets))
        codes = pa.array(index.astype(np.int32))
        return (
            pa.DictionaryArray.from_arrays(codes, pa.array(named, pa.string())).cast(pa.string()).cast(kind)
        )

    def _interfaces(self, columns: _Columns, exporter: bytes) -> None:
        """Interface names inside flow records: the first pair belongs to ingress, a second one to egress."""
        names = columns.raw_all(82)
        keys = [columns.first((10,)), columns.first((14,))]
        for key, name in zip([k for k in keys if k is not None], names, strict=False):
            _, rows = np.unique(key, return_index=True)
            for row in rows[:1024]:
                text = bytes(name[row]).rstrip(b"\0").decode("utf-8", "replace").strip()
                if text and int(key[row]):
                    self.names.interface(exporter, int(key[row]), text, "")


class _Columns:
    """Columns of one template by element number; a number that stands twice gives its first."""

    def __init__(self, template: Template, data: NDArray[Any]) -> None:
        self._data = data
        self._fields: dict[int, list[tuple[str, int]]] = {}
        for k, spec in enumerate(fixed_width(template).fields):
            if spec.enterprise == 0:
                self._fields.setdefault(spec.id, []).append((f"f{k}", spec.length))

    def has(self, element: int) -> bool:
        return element in self._fields

    def first(self, elements: tuple[int, ...]) -> U64 | None:
        """The first of the elements that the template has, as native unsigned integers; None if it has none."""
        for element in elements:
            if element in self._fields:
                return self._number(*self._fields[element][0])
        return None

    def raw(self, elements: tuple[int, ...]) -> NDArray[Any] | None:
        """The first of the elements that is there, as fixed-width octets."""
        for element in elements:
            if element in self._fields:
                return self.raw_all(element)[0]
        return None

    def raw_all(self, element: int) -> list[NDArray[Any]]:
        return [
            np.ascontiguousarray(self._data[name]).view(f"S{length}")
            for name, length in self._fields.get(element, [])
            if length
        ]

    def _number(self, name: str, length: int) -> U64:
        column = self._data[name]
        if length in (1, 2, 4, 8):
            return column.astype(np.uint64)
        wide = np.zeros((len(column), 8), np.uint8)
        octets = np.ascontiguousarray(column).view(np.uint8).reshape(len(column), -1)[:, -8:]
        wide[:, 8 - octets.shape[1] :] = octets
        return wide.view(">u8").ravel().astype(np.uint64)


def _ntp_ms(value: U64, export_ms: NDArray[np.int64]) -> NDArray[np.int64]:
    """NTP time stamp format to Unix ms, rounded to the nearest microsecond first (RFC 7011 6.1.9)."""
    seconds = (value >> np.uint64(32)).astype(np.int64) - NTP_TO_UNIX_S
    micros = np.rint((value & np.uint64(0xFFFFFFFF)).astype(np.float64) * (1e6 / 2**32)).astype(np.int64)
    time_ms = seconds * 1000 + micros // 1000
    era: NDArray[np.int64] = np.where(time_ms < export_ms - 2**31 * 1000, time_ms + 2**32 * 1000, time_ms)
    return era


def _times(
    columns: _Columns, export_ms: NDArray[np.int64], uptime: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Start and end in Unix ms, 0 if unknown; the finest absolute form wins (RFC 5102 5.9, RFC 3954 8)."""

    def ntp(value: U64) -> NDArray[np.int64]:
        return _ntp_ms(value, export_ms)

    def up(value: U64) -> NDArray[np.int64]:
        age = (uptime - value.astype(np.int64)) & 0xFFFFFFFF
        return export_ms - np.where(age >= 2**31, age - 2**32, age)

    forms: tuple[tuple[int, int, Callable[[U64], NDArray[np.int64]]], ...] = (
        (156, 157, ntp),
        (154, 155, ntp),
        (152, 153, lambda v: v.astype(np.int64)),
        (150, 151, lambda v: v.astype(np.int64) * 1000),
        (158, 159, lambda v: export_ms - v.astype(np.int64) // 1000),
        (22, 21, up),
    )
    unknown = np.zeros(len(export_ms), np.int64)
    for first, last, convert in forms:
        if (begin := columns.first((first,))) is not None and (finish := columns.first((last,))) is not None:
            zero = (begin == 0) & (finish == 0) & (first not in (158, 22))
            return np.where(zero, 0, convert(begin)), np.where(zero, 0, convert(finish))
    return unknown, unknown


def _impossible(
    start: NDArray[np.int64], end: NDArray[np.int64], export_ms: NDArray[np.int64]
) -> NDArray[np.bool_]:
    known = (start > 0) & (end > 0)
    bad: NDArray[np.bool_] = known & (
        (end < start) | (end > export_ms + CLOCK_SLACK_MS) | (end < export_ms - OLDEST_MS)
    )
    return bad


def _addresses(columns: _Columns, n: int) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.bool_]]:
    """Source and destination as [n, 16] octets, and where there is none."""
    four = (columns.first((8,)), columns.first((12,)))
    six = (columns.raw_all(27), columns.raw_all(28))
    out = []
    has4, has6 = four[0] is not None and four[1] is not None, bool(six[0]) and bool(six[1])
    use4 = np.ones(n, bool) if has4 and not has6 else np.zeros(n, bool)
    if four[0] is not None and four[1] is not None and has6:
        use4 = np.asarray((four[0] != 0) | (four[1] != 0), dtype=np.bool_)
    for v4, v6 in zip(four, six, strict=True):
        octets = np.zeros((n, 16), np.uint8)
        if v6:
            octets[:] = v6[0].view(np.uint8).reshape(n, 16)
        if v4 is not None and use4.any():
            mapped = np.zeros((n, 4), ">u4")
            mapped[:, 2] = 0xFFFF
            mapped[:, 3] = v4
            octets = np.where(use4[:, None], mapped.view(np.uint8), octets)
        out.append(octets)
    return out[0], out[1], ~(use4 | has6)


def _ports(columns: _Columns) -> tuple[U64 | None, U64 | None]:
    """Ports; for ICMP the destination port holds type * 256 + code, as v5 and v9 do (common practice)."""
    source, destination = columns.first((7, 180, 182)), columns.first((11, 181, 183))
    icmp = columns.first((32, 139))
    if icmp is None and (kind := columns.first((176, 178))) is not None:
        code = columns.first((177, 179))
        icmp = kind * np.uint64(256) + (np.uint64(0) if code is None else code)
    if icmp is not None:
        protocol = columns.first((4,))
        is_icmp = np.isin(protocol, (1, 58)) if protocol is not None else np.ones(len(icmp), bool)
        destination = np.where(is_icmp, icmp, 0 if destination is None else destination)
        source = np.where(is_icmp, 0, 0 if source is None else source).astype(np.uint64)
    return source, destination


def _timestamps(ms: NDArray[np.int64], missing: NDArray[np.bool_]) -> pa.Array:
    mask = missing if missing.any() else None
    return pa.array(ms, pa.int64(), mask=mask).cast(pa.timestamp("ms", tz="UTC"))


def _binary(octets: NDArray[np.uint8], missing: NDArray[np.bool_]) -> pa.Array:
    valid = None
    if missing.any():
        valid = pa.py_buffer(np.packbits(~missing, bitorder="little").tobytes())
    return pa.Array.from_buffers(
        pa.binary(16), len(octets), [valid, pa.py_buffer(np.ascontiguousarray(octets))]
    )


def _constant(value: bytes, n: int) -> pa.Array:
    return pa.Array.from_buffers(pa.binary(16), n, [None, pa.py_buffer(value * n)])
