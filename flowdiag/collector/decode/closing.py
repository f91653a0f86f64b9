"""What can be said of an export only at its end, or at the end of a stretch of it: losses, readings, clocks, names.

Facts the design follows:
- a live export has no end, so its report is taken stretch by stretch: what is counted starts anew, what was learned
  (templates, names, rates, sequence numbers) goes on;
- messages may arrive out of order across the end of a stretch, so a gap that was noticed just now is reported with
  the next one, if it is still there; the last stretch has no next one.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from msgspec.structs import replace

from flowdiag.collector.decode.domain import Domain, Stream
from flowdiag.collector.decode.elements import element
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.options import Options
from flowdiag.collector.report import ExportReport, LossEvent, SessionReport

# How long a late message may fill a gap across the end of a stretch: queues of a network hold less.
LATE_MS: Final = 2_000
_NEVER: Final = 1 << 62
_COUNTED: Final = (
    "messages", "records", "option_records", "octets", "packets", "octets_scaled", "lost_messages", "lost_records",
    "duplicates", "restarts", "undecoded_sets", "undecoded_records",
)  # fmt: skip


def close_report(
    report: ExportReport,
    domains: Mapping[int, Domain],
    limits: Limits,
    options: Options,
    *,
    before_ms: int | None = None,
) -> None:
    """Completes the report of a pass. before_ms: report gaps noticed before this time only."""
    for domain in domains.values():
        session = domain.report
        session.exporter, session.port = domain.stream.exporter, domain.stream.port
        if domain.clock_offset is not None:
            session.clock_offset_ms = domain.clock_offset
        options.finish(domain)
        _name_elements(domain)
    losses: list[LossEvent] = []
    for stream in _streams(domains):
        for version in sorted(stream.sequences):
            losses += _losses(stream, version, domains, before_ms)
    losses.sort(key=lambda loss: (loss.time_ms, loss.exporter, loss.domain))
    report.losses += losses[: limits.losses]


def take_report(
    report: ExportReport,
    domains: Mapping[int, Domain],
    limits: Limits,
    options: Options,
    *,
    last: bool = False,
    in_order: bool = True,
) -> ExportReport:
    """Completes and takes the report of a stretch; counts from here on are those of the next one.

    last: nobody will take a next one, so gaps that late messages could still fill are reported as well; in_order: otherwise
    messages of the session are to come later, or came before, and its sequence numbers show no losses here; nor do they where
    messages were held up on the way.
    """
    latest = [d.report.last_export_ms for d in domains.values() if d.report.last_export_ms is not None]
    before_ms = _NEVER if last else max(latest, default=0) - LATE_MS
    if not in_order or any(domain.held_up for domain in domains.values()):
        for stream in _streams(domains):
            for sequences in stream.sequences.values():
                sequences.count_anew()
    close_report(report, domains, limits, options, before_ms=before_ms)
    taken = ExportReport(
        sessions=[_copied(session) for session in report.sessions],
        interfaces={key: replace(interface) for key, interface in report.interfaces.items()},
        applications=dict(report.applications),
        losses=report.losses,
        problems=report.problems,
        heard_minutes=dict(report.heard_minutes),
        impossible_times=report.impossible_times,
        notes=report.notes,
    )
    report.losses, report.problems, report.notes, report.impossible_times = [], [], [], 0
    report.heard_minutes.clear()
    for domain in domains.values():
        domain.earlier_messages += domain.report.messages
        domain.earlier_records += domain.report.records + domain.report.option_records
    for session in report.sessions:
        for name in _COUNTED:
            setattr(session, name, 0)
        session.first_export_ms = session.last_export_ms = None
        for template in session.templates.values():
            template.records = template.redefined = 0
    for domain in domains.values():
        domain.earlier_clock_offset = domain.report.clock_offset_ms
        domain.clock_offsets.clear()
        domain.clock_second = None
        domain.own_losses.clear()
        domain.late_records = 0
    for stream in _streams(domains):
        for sequences in stream.sequences.values():
            sequences.forget(before_ms)
    return taken


def _copied(session: SessionReport) -> SessionReport:
    return replace(
        session, templates={number: replace(template) for number, template in session.templates.items()}
    )


def _streams(domains: Mapping[int, Domain]) -> list[Stream]:
    """Those that the domains belong to, each once."""
    return list({id(domain.stream): domain.stream for domain in domains.values()}.values())


def _losses(
    stream: Stream, version: int, domains: Mapping[int, Domain], before_ms: int | None
) -> list[LossEvent]:
    """What one session lost in one protocol; adds it to the session reports."""
    reading, trackers = stream.sequences[version].believed()
    for domain in stream.domains[version].values():
        domain.report.sequence_reading = reading.text
        domain.report.lost_is_estimate = reading.unit == "messages"
    losses = []
    for tracker in trackers:
        for restart in tracker.restarts:
            session = _session_of(stream, version, domains, restart.domain)
            session.restarts += 1
            losses.append(
                LossEvent(
                    session.exporter, session.domain, restart.time_ms, 0, 0, restart.since_ms, restarted=True
                )
            )
        for index, count in tracker.undecoded.items():
            _session_of(stream, version, domains, index).undecoded_records += count
        for gap in tracker.gaps:
            if before_ms is not None and gap.time_ms >= before_ms:
                continue
            session = _session_of(stream, version, domains, gap.domain)
            messages, records = 0, gap.units
            if reading.unit == "messages":
                messages = gap.units
                records = round(
                    messages * _records_a_message(_domain_for(stream, version, domains, gap.domain))
                )
            session.lost_messages += messages
            session.lost_records += records
            losses.append(
                LossEvent(session.exporter, session.domain, gap.time_ms, messages, records, gap.since_ms)
            )
    for domain in stream.domains[version].values():
        session = domain.report
        session.undecoded_records = max(0, session.undecoded_records - domain.late_records)
        session.lost_is_estimate = session.lost_is_estimate and session.lost_messages > 0
    return losses


def _records_a_message(domain: Domain | None) -> float:
    """Records of a lost message, estimated as the mean of all messages of the domain so far. Those of one stretch would not
    do: it may have nothing but the gap, or the records of messages that came before their template."""
    if domain is None:
        return 0.0
    session = domain.report
    records = domain.earlier_records + session.records + session.option_records
    return records / max(domain.earlier_messages + session.messages - domain.given_away, 1)


def _domain_for(stream: Stream, version: int, domains: Mapping[int, Domain], index: int) -> Domain | None:
    """The domain of an index; for a forgotten one another domain of the session, whose numbers went on; None where the session
    is forgotten as well."""
    return domains.get(index) or next(iter(stream.domains[version].values()), None)


def _session_of(stream: Stream, version: int, domains: Mapping[int, Domain], index: int) -> SessionReport:
    """The report that a domain's losses go into; one that nobody reads where its session is forgotten."""
    domain = _domain_for(stream, version, domains, index)
    return SessionReport(stream.exporter, stream.port, 0, "ipfix") if domain is None else domain.report


def _name_elements(domain: Domain) -> None:
    """Puts the names that the exporter gave its own elements (RFC 5610) into the templates of the report."""
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
