"""Builds the coverage: what was heard and lost, and the remarks that bound what the figures can mean."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.addresses import UNKNOWN_ADDRESS, to_text
from flowdiag.aggregator.address_numbers import MAX_ADDRESSES
from flowdiag.aggregator.counting import Decisions, Tally, metered_on_arrival
from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.records import Interner, LeftOut
from flowdiag.aggregator.remark import Remark, remark, said
from flowdiag.aggregator.resolution import cut_durations_ms, estimate_resolution
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.spread import WindowGrid, touched
from flowdiag.aggregator.translation import Translations
from flowdiag.collector.clocks import Clocks
from flowdiag.collector.report import ExportReport, LossEvent, SessionReport
from flowdiag.durations import MINUTE_MS
from flowdiag.site.profile import Profile

# Flows looked at for the active timeout and for packet sizes: enough for any percentile.
MOST_LOOKED_AT: Final = 200_000
MOST_PROBLEMS: Final = 3  # told one by one
MOST_INTERFACES: Final = 8  # named in a remark
Z_95: Final = 1.96  # standard normal, two-sided 95 %
# A packet on Ethernet has at most 1500 octets of IP (IEEE 802.3); 14 of header make 1514, with FCS 1518, a VLAN
# tag 1522.
MTU, LARGEST_FRAME = 1500, 1522
# Rounded counters of a hundred packets can pass the limit by some octets; a header is 14.
ABOVE_MTU: Final = 8
BULK_PACKETS: Final = 100
BULK_PART: Final = 0.5
TCP: Final = 6


class Durations(Struct, frozen=True, eq=False):
    """Durations in ms of a fair sample of flows with their packets as they were seen, and of those that the next one of
    their conversation followed at once."""

    all_ms: NDArray[np.int64]
    packets: NDArray[np.float64]
    cut_ms: NDArray[np.int64]


NO_OTHERS: Final = Durations(np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.int64))


class Remarks(Struct, frozen=True, eq=False):
    """What happened to records on the way, to be remarked."""

    left_out: LeftOut
    decisions: Decisions
    tally: Tally
    duplicates: int
    moved_starts: int
    outliers: int
    interner: Interner
    translations: Translations


def site_sessions(report: ExportReport, profile: Profile) -> list[SessionReport]:
    """The sessions of the site's exporters."""
    wanted = profile.site.exporter_octets
    return [s for s in report.sessions if not wanted or s.exporter in wanted or s.exporter == UNKNOWN_ADDRESS]


def heard_minutes(report: ExportReport, profile: Profile, clocks: Clocks) -> NDArray[np.int64]:
    """Start in ms, on the capture's clock, of each minute with a message of the site's exporters; ascending."""
    wanted = profile.site.exporter_octets
    times = [np.zeros(0, np.int64)]
    for exporter, minutes in report.heard_minutes.items():
        if not wanted or exporter in wanted or exporter == UNKNOWN_ADDRESS:
            own = np.fromiter(minutes, np.int64, len(minutes)) * MINUTE_MS
            times.append((own + clocks.offset_ms(exporter)) // MINUTE_MS * MINUTE_MS)
    return np.unique(np.concatenate(times))


def heard_windows(minutes_ms: NDArray[np.int64], flows: SiteFlows, grid: WindowGrid) -> NDArray[np.bool_]:
    """Whether each window shows a sign of life: a message in one of its minutes, or a flow that covers it."""
    heard = touched(minutes_ms, minutes_ms + MINUTE_MS, grid)
    return heard if heard.all() else heard | touched(flows.start_ms, flows.end_ms, grid)


class Evidence(Struct, frozen=True, eq=False):
    """What the records show of the export. first_ms, last_ms: None without records; heard: bool per window, a message or a
    record that covers it; messages_ms: start of each minute with a message; durations_ms, duration_packets: of records, a fair
    sample, with their packets as they were seen; cut_ms: gives the durations of records that the next one of their conversation
    followed at once; packets: of all records, scaled for sampling and as they were seen.
    """

    first_ms: int | None
    last_ms: int | None
    heard: NDArray[np.bool_]
    messages_ms: NDArray[np.int64]
    durations_ms: NDArray[np.int64]
    duration_packets: NDArray[np.float64]
    cut_ms: Callable[[], NDArray[np.int64]]
    packets: tuple[float, float]


def evidence_of(flows: SiteFlows, minutes_ms: NDArray[np.int64], grid: WindowGrid) -> Evidence:
    """That of the flows themselves. minutes_ms: of heard_minutes()."""
    some = _sample(flows)
    return Evidence(
        first_ms=int(flows.start_ms.min()) if len(flows) else None,
        last_ms=int(flows.end_ms.max()) if len(flows) else None,
        heard=heard_windows(minutes_ms, flows, grid),
        messages_ms=minutes_ms,
        durations_ms=flows.end_ms[some] - flows.start_ms[some],
        duration_packets=flows.packets[some] / flows.sampling[some],
        cut_ms=lambda: cut_durations_ms(flows),
        packets=_packets(flows),
    )


def with_others(evidence: Evidence, others: Durations) -> Evidence:
    """The same with the durations of flows that are not among those it is of."""
    return replace(
        evidence,
        durations_ms=np.concatenate([evidence.durations_ms, others.all_ms]),
        duration_packets=np.concatenate([evidence.duration_packets, others.packets]),
        cut_ms=lambda: np.concatenate([evidence.cut_ms(), others.cut_ms]),
    )


def build_coverage(
    flows: SiteFlows,
    report: ExportReport,
    profile: Profile,
    remarks: Remarks,
    clocks: Clocks,
    evidence: Evidence,
) -> Coverage:
    """The coverage of the site's flows on a grid of windows. evidence: of the flows that `flows` are, are a sample of, or
    stand for."""
    sessions = site_sessions(report, profile)
    exporters = {session.exporter for session in sessions}
    losses = _on_capture_clock(report, clocks, exporters)
    announced = [s.active_timeout_s for s in sessions if s.active_timeout_s is not None]
    resolution_s, known = estimate_resolution(
        evidence.durations_ms, max(announced, default=None), evidence.cut_ms, evidence.duration_packets
    )
    scaled_packets, raw_packets = evidence.packets
    coverage = Coverage(
        records=sum(s.records for s in sessions),
        first_ms=evidence.first_ms,
        last_ms=evidence.last_ms,
        heard=evidence.heard,
        messages_ms=evidence.messages_ms,
        losses=tuple(loss for loss in losses if not loss.restarted),
        lost_records=sum(s.lost_records for s in sessions),
        lost_messages=sum(s.lost_messages for s in sessions),
        lost_is_estimate=any(s.lost_is_estimate and s.lost_records for s in sessions),
        undecoded_records=sum(s.undecoded_records for s in sessions),
        sampling=round(scaled_packets / raw_packets, 3) if raw_packets else 1.0,
        resolution_s=resolution_s,
        resolution_known=known,
        links_apart=remarks.decisions.links_apart,
        interface_names=_interface_names(report, exporters),
        remarks=(),
        span_ms=_heard_span(evidence, sessions, clocks),
        restarts=_restart_gaps(flows, [loss for loss in losses if loss.restarted]),
        arrived=metered_on_arrival(remarks.tally, remarks.decisions),
    )
    told = [
        *_about_figures(coverage, flows, raw_packets),
        *_about_clocks(clocks),
        *_about_exporters(profile, exporters),
        *_about_links(profile, remarks),
        *_about_starts(remarks.moved_starts),
        *_about_records(report, sessions, coverage, remarks),
    ]
    return replace(coverage, remarks=tuple(told))


def _on_capture_clock(report: ExportReport, clocks: Clocks, exporters: set[bytes]) -> list[LossEvent]:
    """Losses and restarts of the site's exporters, their times moved to the capture's clock."""
    moved = []
    for loss in report.losses:
        if loss.exporter in exporters:
            offset = clocks.offset_ms(loss.exporter, loss.domain)
            since_ms = None if loss.since_ms is None else loss.since_ms + offset
            moved.append(replace(loss, time_ms=loss.time_ms + offset, since_ms=since_ms))
    return moved


def _heard_span(evidence: Evidence, sessions: list[SessionReport], clocks: Clocks) -> tuple[int, int] | None:
    """From the first to the last sign of life, a message or a flow; None without flows."""
    if evidence.first_ms is None or evidence.last_ms is None:
        return None
    begin, end = evidence.first_ms, max(evidence.last_ms, evidence.first_ms + 1)
    for session in sessions:
        offset = clocks.offset_ms(session.exporter, session.domain)
        if session.first_export_ms is not None and session.last_export_ms is not None:
            begin = min(begin, session.first_export_ms + offset)
            end = max(end, session.last_export_ms + offset)
    return begin, end


def _restart_gaps(flows: SiteFlows, restarts: list[LossEvent]) -> tuple[tuple[int, int], ...]:
    """[from, to) of each time that no record tells of because the exporter restarted with flows in its cache: from the
    end of the last record that was exported before to the start of the first one metered after.
    """
    found: list[tuple[int, int]] = []
    for restart in restarts:
        since_ms = restart.time_ms if restart.since_ms is None else restart.since_ms
        before = flows.end_ms[flows.end_ms <= since_ms]
        after = flows.start_ms[(flows.start_ms >= since_ms) & (flows.end_ms > since_ms)]
        begin = int(before.max()) if len(before) else since_ms
        end = min(int(after.min()) if len(after) else restart.time_ms, restart.time_ms)
        if end > begin and (not found or found[-1] != (begin, end)):
            found.append((begin, end))
    return tuple(found)


def _packets(flows: SiteFlows) -> tuple[float, float]:
    """Packets scaled for sampling, and as they were seen."""
    scaled = float(flows.packets.sum())
    if not len(flows) or flows.sampling.max() <= 1:
        return scaled, scaled
    return scaled, float((flows.packets / np.maximum(flows.sampling, 1)).sum())


def _sample(flows: SiteFlows) -> slice:
    """Evenly chosen rows, at most about MOST_LOOKED_AT."""
    return slice(None, None, max(len(flows) // MOST_LOOKED_AT, 1))


def _interface_names(report: ExportReport, exporters: set[bytes]) -> dict[int, str]:
    return {
        index: interface.name or interface.description
        for (exporter, index), interface in sorted(report.interfaces.items())
        if exporter in exporters and (interface.name or interface.description)
    }


def _about_figures(coverage: Coverage, flows: SiteFlows, raw_packets: float) -> Iterator[Remark]:
    """Resolution, sampling, and what octets seem to hold."""
    if coverage.resolution_known:
        yield remark("resolution", seconds=coverage.resolution_s)
    elif len(flows):
        yield remark("resolution-assumed", seconds=coverage.resolution_s)
    if coverage.sampling > 1:
        error = 100 * Z_95 * np.sqrt(1 / max(raw_packets, 1))
        yield remark("sampled", factor=coverage.sampling, error_percent=float(error))
    if _seems_to_hold_frames(flows):
        yield remark("frames")


def _seems_to_hold_frames(flows: SiteFlows) -> bool:
    """Whether full packets are as long as whole frames: most octets of bulk TCP, and none larger (no jumbo)."""
    some = _sample(flows)
    protocol, octets, packets = flows.protocol[some], flows.octets[some], flows.packets[some]
    bulk = (protocol == TCP) & (packets >= BULK_PACKETS) & (octets > 1000 * packets)
    octets = octets[bulk]
    size = octets / packets[bulk]
    if not len(size) or size.max() > LARGEST_FRAME:
        return False
    return bool(octets[size > MTU + ABOVE_MTU].sum() >= BULK_PART * octets.sum())


def _about_clocks(clocks: Clocks) -> Iterator[Remark]:
    for exporter, offset_ms in clocks.moved():
        yield remark("clock", exporter=to_text(exporter) if any(exporter) else None, offset_ms=offset_ms)


def _about_exporters(profile: Profile, exporters: set[bytes]) -> Iterator[Remark]:
    known = exporters - {UNKNOWN_ADDRESS}
    if len(known) > 1 and not profile.site.exporters:
        yield remark("exporters", number=len(known))


def _about_links(profile: Profile, remarks: Remarks) -> Iterator[Remark]:
    """What is to be known about which record counts where."""
    decisions, tally = remarks.decisions, remarks.tally
    if not decisions.links_apart:
        yield remark("links-not-apart")
    elif decisions.by_inside:
        yield remark("by-networks", named=bool(tally.numbered), profile=bool(profile.site.lan))
    elif tally.numbered:
        seen = tally.records.sum(axis=(0, 2, 3))
        others = tally.interfaces[:MOST_INTERFACES]
        for number, link in enumerate(profile.link):
            if not seen[number] and not set(link.interfaces).intersection(tally.interfaces):
                yield remark("link-unseen", link=link.name, interfaces=link.interfaces, others=others)
    if decisions.dropped:
        yield remark("metered-twice", records=decisions.dropped)
    if decisions.second_source:
        yield remark("two-sources", records=decisions.second_source)
    yield from remarks.translations.remarks(profile=bool(profile.site.lan))
    if remarks.duplicates:
        yield remark("repeated", records=remarks.duplicates)


def _about_starts(moved: int) -> Iterator[Remark]:
    if moved:
        yield remark("starts", records=moved)


def _about_records(
    report: ExportReport, sessions: list[SessionReport], coverage: Coverage, remarks: Remarks
) -> Iterator[Remark]:
    """What was lost or left out."""
    if coverage.lost_records:
        yield remark("lost", records=coverage.lost_records, estimate=coverage.lost_is_estimate)
    sets = sum(s.undecoded_sets for s in sessions)
    if sets or coverage.undecoded_records:
        yield remark("undecoded", sets=sets, records=coverage.undecoded_records)
    if remarks.left_out.without_times:
        yield remark("without-times", records=remarks.left_out.without_times)
    if remarks.outliers:
        yield remark("outliers", records=remarks.outliers)
    if remarks.left_out.not_ip:
        yield remark("not-ip", records=remarks.left_out.not_ip)
    if remarks.interner.addresses.overflowed:
        yield remark("many-addresses", most=MAX_ADDRESSES)
    for problem in report.problems[:MOST_PROBLEMS]:
        yield remark("problem", file=problem.file, what=problem.what, count=problem.count)
    if len(report.problems) > MOST_PROBLEMS:
        yield remark("more-problems", kinds=len(report.problems) - MOST_PROBLEMS)
    yield from map(said, report.notes)
