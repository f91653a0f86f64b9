"""What can be said of an export only at its end: losses, readings, clocks, names."""

from __future__ import annotations

from dataclasses import replace
from statistics import median_low

from flowdiag.collector.decode.domain import Domain, Stream
from flowdiag.collector.decode.elements import element
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.options import Options
from flowdiag.collector.report import ExportReport, LossEvent


def close_report(report: ExportReport, domains: list[Domain], limits: Limits, options: Options) -> None:
    """Completes the report of a pass."""
    streams: dict[int, Stream] = {}
    for domain in domains:
        streams.setdefault(id(domain.stream), domain.stream)
        told = domain.report
        told.exporter, told.port = domain.stream.exporter, domain.stream.port
        if domain.clock_offsets:
            told.clock_offset_ms = median_low(domain.clock_offsets)
        options.finish(domain)
        _name_taught(domain)
    losses: list[LossEvent] = []
    for stream in streams.values():
        for version in sorted(stream.sequences):
            losses += _losses(stream, version, domains)
    losses.sort(key=lambda loss: (loss.time_ms, loss.exporter, loss.domain))
    report.losses += losses[: limits.losses]


def _losses(stream: Stream, version: int, domains: list[Domain]) -> list[LossEvent]:
    """What one session lost in one protocol; adds it to the session reports."""
    reading, trackers = stream.sequences[version].believed()
    for domain in stream.domains[version].values():
        domain.report.sequence_reading = reading.text
        domain.report.lost_is_estimate = reading.unit == "messages"
    losses = []
    for tracker in trackers:
        for index, count in tracker.restarts.items():
            domains[index].report.restarts += count
        for index, count in tracker.undecoded.items():
            domains[index].report.undecoded_records += count
        for gap in tracker.gaps:
            told = domains[gap.domain].report
            messages, records = 0, gap.units
            if reading.unit == "messages":
                messages = gap.units
                # Nobody knows what a lost message held: as much as the others.
                records = round(messages * (told.records + told.option_records) / max(told.messages, 1))
            told.lost_messages += messages
            told.lost_records += records
            losses.append(LossEvent(told.exporter, told.domain, gap.time_ms, messages, records))
    for domain in stream.domains[version].values():
        told = domain.report
        told.undecoded_records = max(0, told.undecoded_records - domain.late_records)
        told.lost_is_estimate = told.lost_is_estimate and told.lost_messages > 0
    return losses


def _name_taught(domain: Domain) -> None:
    """Names that the exporter gave its own elements (RFC 5610)."""
    taught = domain.stream.taught
    if not taught:
        return
    for template in domain.report.templates.values():
        template.fields = tuple(
            replace(field, name=taught[field.enterprise, field.id])
            if (field.enterprise, field.id) in taught and element(field.id, field.enterprise) is None
            else field
            for field in template.fields
        )
