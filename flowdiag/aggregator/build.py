"""From record batches to the three shapes of a case: the site's flows, usage over windows, coverage.

The batches are reduced to numpy columns as they come; what counts where is decided when all have been seen. Columns
that are the same from the site's side are then taken over as they stand.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Final

import numpy as np
import pyarrow as pa
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.address_ranges import AddressRanges
from flowdiag.addresses import NEVER_OUTSIDE, PRIVATE_NETWORKS
from flowdiag.aggregator.applications import Catalogue, Names, catalogue_of
from flowdiag.aggregator.choosing import either, exchanged
from flowdiag.aggregator.chunks import chunks
from flowdiag.aggregator.concurrently import both, do_all
from flowdiag.aggregator.counting import Decisions, InterfaceLinks, Tally, count_records, decide
from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.coverage_notes import Remarks, build_coverage, evidence_of, heard_minutes
from flowdiag.aggregator.duplicates import without_duplicates
from flowdiag.aggregator.framing import wire_octets
from flowdiag.aggregator.record_table import Expected, RecordTable, twice
from flowdiag.aggregator.records import Interner, LeftOut, Records, to_records
from flowdiag.aggregator.same_packets import drop_second_sources
from flowdiag.aggregator.services import AT_SRC, UNDECIDED, Services, opened_by_src
from flowdiag.aggregator.shared_starts import with_own_starts
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.spread import WindowGrid, bounds, spread
from flowdiag.aggregator.time_outliers import without_time_outliers
from flowdiag.aggregator.translation import NOTHING_STAYS, Translations, find_translations
from flowdiag.aggregator.usage import Usage
from flowdiag.collector.clocks import Clocks
from flowdiag.collector.report import ExportReport
from flowdiag.durations import MINUTE_MS
from flowdiag.site.profile import Profile

WINDOW_MS: Final = 60_000
HEARD_BEYOND_MS: Final = 86_400_000  # signs of life further from all flows are another story


def build_case_data(
    batches: Iterable[pa.RecordBatch], report: ExportReport, profile: Profile, expected: Expected = twice
) -> tuple[SiteFlows, Usage, Coverage]:
    """The site's flows, their usage on windows of a minute over the whole export, and what bounds both.

    batches: of FLOW_SCHEMA; report: complete once they are exhausted; expected: how many records there will be in all
    when so many came. Records of exporters that the profile does not list are left out.
    """
    reduction = Reduction(profile)
    table = RecordTable(expected)
    # A batch is taken in while the next is decoded.
    do_all(lambda batch: table.append(reduction.add(batch)), batches, at_once=1)
    counting = reduction.settle(report, table.pieces())
    flows = counting.site_flows(table.records(), used_up=True) if len(table) else joined(())
    flows, duplicates = without_duplicates(flows)
    flows, moved = with_own_starts(flows)
    flows, outliers = without_time_outliers(flows)
    remarks = Remarks(
        reduction.left_out,
        counting.decisions,
        reduction.tally,
        duplicates,
        moved,
        outliers,
        reduction.interner,
        counting.translations,
    )
    minutes_ms = heard_minutes(report, profile, counting.clocks)
    grid = flow_grid(flows, WINDOW_MS, minutes_ms)
    usage, coverage = both(
        lambda: build_usage(flows, profile, grid),
        lambda: build_coverage(
            flows, report, profile, remarks, counting.clocks, evidence_of(flows, minutes_ms, grid)
        ),
    )
    return flows, usage if coverage.span is None else usage.covering(coverage.span), coverage


class Reduction:
    """Takes the batches of an export in, piece by piece, and learns what the decisions rest on."""

    def __init__(self, profile: Profile, rules: Catalogue | None = None) -> None:
        self.profile = profile
        self.link_of = InterfaceLinks(profile).of
        self.rules = rules or catalogue_of(profile)
        self.interner = Interner(AddressRanges(profile.site.lan or PRIVATE_NETWORKS))
        self.left_out = LeftOut()
        self.tally = Tally(len(profile.link))
        self.services = Services(self.rules)
        self.staying = NOTHING_STAYS  # of flows that sums stand for
        self._exporters = profile.site.exporter_octets

    def add(self, batch: pa.RecordBatch) -> Records:
        """The usable records of a batch, in columns of their own."""
        records = to_records(batch, self.interner, self.link_of, self.left_out, self._exporters)
        if len(records):
            self.tally.add(records, self.interner)
            self.services.learn(records)
        return records

    def settle(self, report: ExportReport, pieces: Iterable[Records]) -> Counting:
        """Decides what counts, and who it was; to be called when all batches were added.

        pieces: all records that add() gave, in their order, to be gone over more than once.
        """
        self.services.settle()
        decisions = decide(self.tally, self.interner, self.profile)
        clocks = Clocks(report)
        shift = clocks.offsets_ms(self.interner.sources)
        decisions = drop_second_sources(decisions, self.tally, pieces, shift)
        found = find_translations(decisions, self.tally, pieces, self.interner, shift, self.staying)
        return Counting(self, decisions, clocks, found)


class Counting:
    """Turns records into the site's flows, by the decisions."""

    def __init__(
        self, reduction: Reduction, decisions: Decisions, clocks: Clocks, translations: Translations
    ) -> None:
        self.decisions = decisions
        self.translations = translations
        self.clocks = clocks
        self._profile = reduction.profile
        self._services = reduction.services
        self._names = Names(reduction.rules)
        self._exporter_names = self._names.of_exporters(reduction.interner.names)
        self.addresses = reduction.interner.addresses.all()
        self._inside = reduction.interner.inside_by_number
        self._never_outside = AddressRanges(NEVER_OUTSIDE).contains(self.addresses)
        self.shift_ms = clocks.offsets_ms(reduction.interner.sources)

    @property
    def applications(self) -> tuple[str, ...]:
        """The names that the numbers of applications stand for."""
        return self._names.all()

    def name(
        self, exporter_names: NDArray[np.int32], protocol: NDArray[np.int16], service_port: NDArray[np.int32]
    ) -> NDArray[np.int32]:
        """The number of the application of what has these names of its exporter (numbers of the interner, -1 none) and
        these services. Shape [n]."""
        named = self._exporter_names.take(exporter_names)
        by_service = self._names.slots(protocol, service_port)
        self._names.settle()
        return either(named == 0, self._names.named(by_service), named)

    def site_flows(self, records: Records, *, first: int = 0, used_up: bool = False) -> SiteFlows:
        """The records that count, from the site's side. Columns that stay as they are are those of the records.

        first: position of the first of these records in the export.
        used_up: the records are needed no more, so that other columns may be written over theirs.
        """
        records = self.translations.applied(records, first)
        counted = count_records(records, self.decisions, self._inside, self._never_outside)
        if counted.rows is not None:
            records, used_up = records.at(counted.rows), True
        derived = {
            name: getattr(records, column)
            if used_up and column is not None
            else np.empty(len(records), COLUMN_TYPES[name])
            for name, column in _DERIVED.items()
        }

        def derive(rows: slice) -> None:
            part = self._derived(records.at(rows), counted.link[rows], counted.inside_is_src[rows])
            for name, column in derived.items():
                column[rows] = part[name]

        def name(rows: slice) -> None:
            derived["application"][rows] = self._names.named(derived["application"][rows])

        do_all(derive, chunks(len(records)))
        self._names.settle()
        do_all(name, chunks(len(records)))
        shift = self.shift_ms[records.source] if self.shift_ms.any() else None
        return SiteFlows(
            start_ms=records.start_ms if shift is None else records.start_ms + shift,
            end_ms=records.end_ms if shift is None else records.end_ms + shift,
            octets=records.octets,
            packets=records.packets,
            link=counted.link,
            direction=counted.direction,
            protocol=records.protocol,
            tcp_flags=records.tcp_flags,
            dscp=records.dscp,
            end_reason=records.end_reason,
            sampling=records.sampling,
            ingress=records.ingress,
            egress=records.egress,
            **derived,
            addresses=self.addresses,
            applications=self._names.all(),
            message=records.message,
        )

    def _derived(
        self, records: Records, link: NDArray[np.int8], inside_is_src: NDArray[np.bool_]
    ) -> dict[str, NDArray[Any]]:
        """The columns of _DERIVED for records that count, services not named yet; link, inside_is_src: as they were
        counted.
        """
        ends = self._services.find(records)
        opened = opened_by_src(records, ends)
        src, dst, src_port, dst_port = records.src, records.dst, records.src_port, records.dst_port
        service_port = either(ends.side == AT_SRC, src_port, dst_port)
        service_port = either(ends.side == UNDECIDED, np.int32(-1), service_port)
        application = self._exporter_names.take(records.application)
        nameless = application == 0
        if nameless.any():
            by_service = self._names.slots(records.protocol, service_port)
            application = either(nameless, by_service, application)
        if self.decisions.by_inside:  # where neither or both ends are inside, whoever was called is outside
            apart = self._inside.take(src) ^ self._inside.take(dst)
            inside_is_src = inside_is_src & ~((link < 0) & (opened == 0) & ~apart)
        inside, outside = exchanged(inside_is_src, src, dst)
        inside_port, outside_port = exchanged(inside_is_src, src_port, dst_port)
        return {
            "wire_octets": _framed(records.octets, records.packets, link, self._profile),
            "inside": inside,
            "outside": outside,
            "inside_port": inside_port,
            "outside_port": outside_port,
            "application": application,
            "opened_inside": either((opened < 0) | inside_is_src, opened, 1 - opened),
        }


def _framed(
    octets: NDArray[np.float64], packets: NDArray[np.float64], link: NDArray[np.int8], profile: Profile
) -> NDArray[np.float64]:
    """Octets with the framing of each record's link; local traffic as it is."""
    framings = [item.framing for item in profile.link]
    if len(set(framings)) == 1 and (link >= 0).all():
        return wire_octets(octets, packets, framings[0])
    framed = octets.copy()
    for number, framing in enumerate(framings):
        rows = np.flatnonzero(link == number)
        framed[rows] = wire_octets(octets[rows], packets[rows], framing)
    return framed


def joined(parts: Sequence[SiteFlows]) -> SiteFlows:
    """One table of the parts, in their order."""
    columns: dict[str, Any] = {
        name: np.concatenate([np.zeros(0, dtype), *(getattr(part, name) for part in parts)])
        for name, dtype in COLUMN_TYPES.items()
    }
    messages = [part.message for part in parts if part.message is not None]
    return SiteFlows(
        **columns,
        message=np.concatenate(messages) if messages and len(messages) == len(parts) else None,
        addresses=parts[-1].addresses if parts else (),
        applications=parts[-1].applications if parts else (),
    )


def together(parts: Sequence[SiteFlows]) -> SiteFlows:
    """One table of parts that were counted apart, so that each has numbers of its own for addresses and applications."""
    addresses: dict[bytes, int] = {}
    applications: dict[str, int] = {}
    renumbered = []
    for part in parts:
        address = np.array([addresses.setdefault(one, len(addresses)) for one in part.addresses], np.int32)
        name = np.array(
            [applications.setdefault(one, len(applications)) for one in part.applications], np.int32
        )
        if len(part):
            columns = {"inside": address.take(part.inside), "outside": address.take(part.outside)}
            renumbered.append(replace(part, **columns, application=name.take(part.application), message=None))
    return replace(joined(renumbered), addresses=tuple(addresses), applications=tuple(applications))


_INTEGERS: Final = {
    "start_ms": np.int64,
    "end_ms": np.int64,
    "link": np.int8,
    "direction": np.int8,
    "inside": np.int32,
    "outside": np.int32,
    "inside_port": np.int32,
    "outside_port": np.int32,
    "protocol": np.int16,
    "tcp_flags": np.int32,
    "dscp": np.int8,
    "application": np.int32,
    "opened_inside": np.int8,
    "end_reason": np.uint8,
    "sampling": np.float32,
    "ingress": np.int32,
    "egress": np.int32,
}
COLUMN_TYPES: Final[dict[str, Any]] = {
    name: _INTEGERS.get(name, np.float64)
    for name in SiteFlows.__struct_fields__
    if name not in ("addresses", "applications", "message")
}
# What a site's flows have of their own, and the column of the records, of the same type, that it stands for.
_DERIVED: Final[dict[str, str | None]] = {
    "wire_octets": None,
    "inside": "src",
    "outside": "dst",
    "inside_port": "src_port",
    "outside_port": "dst_port",
    "application": "application",
    "opened_inside": None,
}


def flow_grid(flows: SiteFlows, window_ms: int, heard_ms: NDArray[np.int64]) -> WindowGrid:
    """The windows that hold all flows, and the minutes around them in which the exporter was heard.

    heard_ms: start of each such minute, ascending. One window at 1970 if there are no flows.
    """
    if not len(flows):
        return WindowGrid(0, window_ms, 1)
    return grid_around(int(flows.start_ms.min()), int(flows.end_ms.max()), window_ms, heard_ms)


def grid_around(first: int, last: int, window_ms: int, heard_ms: NDArray[np.int64]) -> WindowGrid:
    """The same for flows from a first to a last time, ms since 1970 UTC."""
    near = heard_ms[(heard_ms >= first - HEARD_BEYOND_MS) & (heard_ms <= last + HEARD_BEYOND_MS)]
    if len(near):
        first, last = min(first, int(near[0])), max(last, int(near[-1]) + MINUTE_MS)
    return WindowGrid.covering(first, max(last, first + 1), window_ms)


def build_usage(flows: SiteFlows, profile: Profile, grid: WindowGrid, *, with_bounds: bool = False) -> Usage:
    """Usage of each link and direction in the windows of a grid."""
    links = tuple(link.name for link in profile.link)
    series = flows.link.astype(np.int16) * 2 + flows.direction
    series[flows.link < 0] = -1
    count = 2 * len(links)
    shape = (len(links), 2, grid.windows)
    values = (flows.wire_octets, flows.octets, flows.packets)
    wire, octets, packets = spread(flows.start_ms, flows.end_ms, values, grid, series, count)
    lower = upper = None
    if with_bounds:
        least, most = bounds(flows.start_ms, flows.end_ms, flows.wire_octets, grid, series, count)
        lower, upper = least.reshape(shape), most.reshape(shape)
    return Usage(
        start_ms=grid.start_ms,
        window_ms=grid.window_ms,
        links=links,
        wire_octets=wire.reshape(shape),
        ip_octets=octets.reshape(shape),
        packets=packets.reshape(shape),
        lower=lower,
        upper=upper,
    )
