"""Builds the coverage: what was heard and lost, and the remarks that bound what the figures can mean."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.addresses import UNKNOWN_ADDRESS
from flowdiag.aggregator.address_numbers import MAX_ADDRESSES
from flowdiag.aggregator.counting import Decisions, Tally, metered_on_arrival
from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.records import Interner, LeftOut
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
MOST_PROBLEMS: Final = 3  # told one by one in the notes
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


class Remarks(Struct, frozen=True, eq=False):
    """What happened to records on the way, for the notes."""

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


def build_coverage(
    flows: SiteFlows,
    report: ExportReport,
    profile: Profile,
    remarks: Remarks,
    clocks: Clocks,
    grid: WindowGrid,
    minutes_ms: NDArray[np.int64],
    packets: tuple[float, float] | None = None,
) -> Coverage:
    """The coverage of the site's flows on a grid of windows.

    minutes_ms: of heard_minutes(); packets: scaled and as seen, of all flows, where `flows` are a sample of them.
    """
    sessions = site_sessions(report, profile)
    exporters = {session.exporter for session in sessions}
    losses = _on_capture_clock(report, clocks, exporters)
    announced = [s.active_timeout_s for s in sessions if s.active_timeout_s is not None]
    some = _sample(flows)
    resolution_s, known = estimate_resolution(
        flows.end_ms[some] - flows.start_ms[some],
        max(announced, default=None),
        lambda: cut_durations_ms(flows),
        flows.packets[some] / flows.sampling[some],
    )
    span_ms = _heard_span(flows, sessions, clocks)
    scaled_packets, raw_packets = packets or _packets(flows)
    coverage = Coverage(
        records=sum(s.records for s in sessions),
        first_ms=int(flows.start_ms.min()) if len(flows) else None,
        last_ms=int(flows.end_ms.max()) if len(flows) else None,
        heard=heard_windows(minutes_ms, flows, grid),
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
        notes=(),
        span_ms=span_ms,
        restarts=_restart_gaps(flows, [loss for loss in losses if loss.restarted]),
        arrived=metered_on_arrival(remarks.tally, remarks.decisions),
    )
    notes = [
        *_about_figures(coverage, flows, raw_packets),
        *clocks.notes(),
        *_about_exporters(profile, exporters),
        *_about_links(profile, remarks),
        *_about_starts(remarks.moved_starts),
        *_about_records(report, sessions, coverage, remarks),
    ]
    return replace(coverage, notes=tuple(notes))


def _on_capture_clock(report: ExportReport, clocks: Clocks, exporters: set[bytes]) -> list[LossEvent]:
    """Losses and restarts of the site's exporters, their times moved to the capture's clock."""
    moved = []
    for loss in report.losses:
        if loss.exporter in exporters:
            offset = clocks.offset_ms(loss.exporter, loss.domain)
            since_ms = None if loss.since_ms is None else loss.since_ms + offset
            moved.append(replace(loss, time_ms=loss.time_ms + offset, since_ms=since_ms))
    return moved


def _heard_span(flows: SiteFlows, sessions: list[SessionReport], clocks: Clocks) -> tuple[int, int] | None:
    """From the first to the last sign of life, a message or a flow; None without flows."""
    if not len(flows):
        return None
    begin, end = int(flows.start_ms.min()), max(int(flows.end_ms.max()), int(flows.start_ms.min()) + 1)
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


def _about_figures(coverage: Coverage, flows: SiteFlows, raw_packets: float) -> Iterator[str]:
    """Resolution, sampling, and what octets seem to hold."""
    if coverage.resolution_known:
        yield (
            f"The exporter reports long flows every {coverage.resolution_s} s: shorter bursts cannot be seen."
        )
    elif len(flows):
        yield (
            "Too few long flows to tell how often the exporter reports them; "
            f"{coverage.resolution_s} s is assumed, and shorter bursts cannot be seen."
        )
    if coverage.sampling > 1:
        error = 100 * Z_95 * np.sqrt(1 / max(raw_packets, 1))
        yield (
            f"The export is sampled: figures are scaled by {coverage.sampling:g}; the total has an error of "
            f"about {error:.2g}% from sampling, smaller parts more."
        )
    if _seems_to_hold_frames(flows):
        yield (
            "The octets seem to include Ethernet headers (full packets of more than 1500 octets), "
            "so rates are a little too high."
        )


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


def _about_exporters(profile: Profile, exporters: set[bytes]) -> Iterator[str]:
    known = exporters - {UNKNOWN_ADDRESS}
    if len(known) > 1 and not profile.site.exporters:
        yield (
            f"Records of {len(known)} exporters count, because the profile does not say which are the site's "
            "(site.exporters)."
        )


def _about_links(profile: Profile, remarks: Remarks) -> Iterator[str]:
    """What is to be known about which record counts where."""
    decisions, tally = remarks.decisions, remarks.tally
    if not decisions.links_apart:
        yield "The export has no interface numbers: the links cannot be told apart."
    elif decisions.by_inside:
        whose = "the profile's" if profile.site.lan else "private"
        why = (
            "The link's interfaces are not named" if tally.numbered else "The export has no interface numbers"
        )
        yield f"{why}: up and down follow from {whose} networks."
    elif tally.numbered:
        seen = tally.records.sum(axis=(0, 2, 3))
        others = tally.interfaces[:MOST_INTERFACES]
        for number, link in enumerate(profile.link):
            if not seen[number] and not set(link.interfaces).intersection(tally.interfaces):
                yield (
                    f'No record names the interface of link "{link.name}" '
                    f"({_listed(link.interfaces)}); the export has {_listed(others)}."
                )
    if decisions.dropped:
        yield (
            f"Packets are metered at ingress and egress: {_records(decisions.dropped)} of the second metering "
            "point did not count."
        )
    if decisions.second_source:
        yield (
            f"Two exporters or observation domains report the same packets: {_records(decisions.second_source)} "
            "of the lesser one did not count."
        )
    yield from remarks.translations.notes("the profile's" if profile.site.lan else "private")
    if remarks.duplicates:
        yield f"{_records(remarks.duplicates)} that repeat others did not count."


def _about_starts(moved: int) -> Iterator[str]:
    if moved:
        yield f"The exporter repeats a conversation's start in its later records: {_records(moved)} were put in order."


def _about_records(
    report: ExportReport, sessions: list[SessionReport], coverage: Coverage, remarks: Remarks
) -> Iterator[str]:
    """What was lost or left out."""
    if coverage.lost_records:
        estimate = " (an estimate: NetFlow v9 counts messages only)" if coverage.lost_is_estimate else ""
        lost = f"{_records(coverage.lost_records)} {_were(coverage.lost_records)} lost on the way"
        yield f"{lost}{estimate}: figures are lower bounds."
    sets = sum(s.undecoded_sets for s in sessions)
    if sets or coverage.undecoded_records:
        waited = f"{sets} data sets waited in vain" if sets != 1 else "1 data set waited in vain"
        yield (
            f"{waited} for their template or were damaged: {_records(coverage.undecoded_records)} or more could not be "
            "decoded, so figures are lower bounds. Begin the next capture earlier, so that it holds the templates."
        )
    if remarks.left_out.without_times:
        yield f"{_records(remarks.left_out.without_times)} without usable times {_were(remarks.left_out.without_times)} left out."
    if remarks.outliers:
        yield (
            f"{_records(remarks.outliers)} whose times lie days away from all others {_were(remarks.outliers)} left out."
        )
    if remarks.left_out.not_ip:
        verbs = "is not of IP and counts" if remarks.left_out.not_ip == 1 else "are not of IP and count"
        yield f"{_records(remarks.left_out.not_ip)} {verbs} on no link."
    if remarks.interner.addresses.overflowed:
        yield f"Beyond {MAX_ADDRESSES} distinct addresses, further ones are counted together."
    for problem in report.problems[:MOST_PROBLEMS]:
        times = f" ({problem.count} times)" if problem.count > 1 else ""
        yield f"{problem.file}: {problem.what}{times}." if problem.file else f"{problem.what}{times}."
    if len(report.problems) > MOST_PROBLEMS:
        yield f"{len(report.problems) - MOST_PROBLEMS} more kinds of problems; flowdiag inspect lists them."
    yield from (note if note.endswith(".") else f"{note}." for note in report.notes)


def _were(count: int) -> str:
    return "was" if count == 1 else "were"


def _records(count: int) -> str:
    return "1 record" if count == 1 else f"{count} records"


def _listed(interfaces: list[int]) -> str:
    return ", ".join(map(str, interfaces))
