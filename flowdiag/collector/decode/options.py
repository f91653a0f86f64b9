"""What options records tell: sampling, interface names, application names, timeouts (RFC 7011 3.4.2, RFC 3954 6)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from flowdiag.collector.decode.records import fixed_width
from flowdiag.collector.decode.templates import V9_SCOPE, Template
from flowdiag.collector.report import ExportReport, InterfaceReport

if TYPE_CHECKING:
    from flowdiag.collector.decode.decoder import Domain


@dataclass
class Names:
    """Names learnt from options: applications by id (octets without leading zeros of the selector)."""

    report: ExportReport
    limit: int
    name_octets: int
    applications: dict[bytes, str] = field(default_factory=dict)

    def interface(self, exporter: bytes, index: int, name: str, description: str) -> None:
        known = self.report.interfaces.get((exporter, index))
        if known is None:
            if len(self.report.interfaces) >= self.limit:
                return
            known = self.report.interfaces[exporter, index] = InterfaceReport(exporter, index)
        known.name = name or known.name
        known.description = description or known.description


def read_options(names: Names, domain: Domain, template: Template, payload: bytes, count: int) -> None:
    """Learns from `count` options records in `payload` (fixed widths)."""
    layout = fixed_width(template)
    for k in range(count):
        at = k * layout.width
        values: dict[int, bytes] = {}
        for spec in layout.fields:
            value = payload[at : at + spec.length]
            at += spec.length
            key = 10 if spec.enterprise == V9_SCOPE and spec.id == 2 else spec.id
            if spec.enterprise == 0 or key == 10:
                values.setdefault(key, value)
        _learn(names, domain, values)


def _learn(names: Names, domain: Domain, values: dict[int, bytes]) -> None:
    def number(element: int) -> int:
        return int.from_bytes(values.get(element, b"")[:8], "big")

    def text(element: int) -> str:
        return values.get(element, b"")[: names.name_octets].rstrip(b"\0").decode("utf-8", "replace").strip()

    index = next((number(e) for e in (10, 14, 252, 253) if e in values), None)
    if index and (82 in values or 83 in values):
        names.interface(domain.report.exporter, index, text(82), text(83))
    if 95 in values and 96 in values and text(96) and len(names.applications) < names.limit:
        names.applications[values[95].rstrip(b"\0")] = text(96)
    if 36 in values and number(36):
        domain.report.active_timeout_s = number(36)
    if 37 in values and number(37):
        domain.report.idle_timeout_s = number(37)
    factor = 0.0
    if number(50) > 1 or number(34) > 1:
        factor = float(number(50) or number(34))
    elif 305 in values and 306 in values and number(305):
        factor = (number(305) + number(306)) / number(305)
    elif 309 in values and 310 in values and number(309):
        factor = number(310) / number(309)
    if factor > 1:
        domain.sampling = factor
