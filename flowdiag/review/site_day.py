"""One site-day of flows becomes a partial, by the same steps and modules as a diagnosis.

What decides which record counts on which link is in the profile; what is only compared with the result is not needed and
put aside first (counting_profile), so that it cannot have an effect.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from flowdiag.aggregator.build import build_case_data
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.spread import WindowGrid, spread
from flowdiag.collector.report import ExportReport
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.failovers import failovers
from flowdiag.diagnoser.signals.keepalives import accounts
from flowdiag.diagnoser.signals.keepalives import silences as keepalive_silences
from flowdiag.diagnoser.signals.link_states import primaries
from flowdiag.diagnoser.signals.silences import silences
from flowdiag.durations import DAY_MS, MINUTE_MS
from flowdiag.review.partial import SLOT_MINUTES, SLOT_MS, Missing, SitePartial, Stay, nothing
from flowdiag.review.talkers import flow_talkers
from flowdiag.site.profile import Link, Profile, Site, Thresholds

# Flows reach this far over their day at most: longer ones come of clocks that are wrong.
REACH_MS: Final = DAY_MS
# An inside address counts as a host from this on: less is a probe, or an answer to a scan.
HOST_OCTETS: Final = 10_000


def counting_profile(profile: Profile) -> Profile:
    """The profile with neutral values for all that does not decide what counts where: names, rates, hours, zone."""
    return Profile(
        site=Site(name="site", lan=profile.site.lan, exporters=profile.site.exporters),
        link=[
            Link(
                name=f"link {number}",
                role=link.role,
                interfaces=link.interfaces,
                down_mbps=1.0,
                up_mbps=1.0,
                framing=link.framing,
                keepalive=link.keepalive,
            )
            for number, link in enumerate(profile.link)
        ],
        thresholds=Thresholds(keepalive_missing_intervals=profile.thresholds.keepalive_missing_intervals),
    )


def site_day_partial(
    batches: Iterable[pa.RecordBatch], report: ExportReport, counting: Profile, day_ms: int
) -> SitePartial:
    """The partial of the flows of one UTC day, which may reach into the days beside it.

    batches: of FLOW_SCHEMA; report: complete once they are exhausted; counting: of counting_profile(); day_ms: begin of
    the day. The day's minutes are covered as far as the exporter's silences are none of its habit.
    """
    flows, usage, coverage = build_case_data(_near(batches, day_ms), report, counting)
    case = Case(counting, flows, usage, coverage, (day_ms, day_ms + DAY_MS), window_given=True)
    links = len(counting.link)
    if not len(flows) and not coverage.heard.any():
        return nothing(links)
    begin = max(min(usage.start_ms, day_ms), day_ms - REACH_MS) // SLOT_MS * SLOT_MS
    end = min(max(usage.start_ms + usage.windows * MINUTE_MS, day_ms + DAY_MS), day_ms + 2 * DAY_MS)
    slots = WindowGrid.covering(begin, end, SLOT_MS)
    on_link = np.flatnonzero(flows.link >= 0)
    return SitePartial(
        start_ms=slots.start_ms,
        wire_octets=_minutes(case, slots),
        covered=_covered(case, slots, day_ms),
        ip_octets=_by_link(flows, on_link, slots, links),
        leaked=_by_link(flows, np.flatnonzero(failovers(case).leaked), slots, links),
        talkers=flow_talkers(flows),
        hosts=_hosts(flows, primaries(counting)),
        records=len(flows),
        lost_records=coverage.lost_records,
        stays=tuple(
            Stay(
                stay.link,
                stay.start_ms,
                stay.end_ms,
                round(stay.octets_down),
                round(stay.octets_up),
                stay.began_before,
                stay.still,
            )
            for stay in failovers(case).episodes
        ),
        missing=tuple(_missing(case)),
    )


def _near(batches: Iterable[pa.RecordBatch], day_ms: int) -> Iterator[pa.RecordBatch]:
    """The batches without flows that lie beyond the reach of the day."""
    least = pa.scalar(day_ms - REACH_MS, pa.int64()).cast(pa.timestamp("ms", tz="UTC"))
    most = pa.scalar(day_ms + DAY_MS + REACH_MS, pa.int64()).cast(pa.timestamp("ms", tz="UTC"))
    for batch in batches:
        # An unknown time is the other one's; a flow of no known time is left out later.
        start = pc.coalesce(batch["start"], batch["end"])
        end = pc.coalesce(batch["end"], batch["start"])
        if batch.num_rows and not (_within(start, least, most) and _within(end, least, most)):
            inside = pc.and_(pc.greater_equal(start, least), pc.less(end, most))
            yield batch.filter(pc.fill_null(inside, False))
        else:
            yield batch


def _within(times: pa.Array, least: pa.Scalar, most: pa.Scalar) -> bool:
    span = pc.min_max(times)
    return bool(
        span["min"].is_valid and span["min"].as_py() >= least.as_py() and span["max"].as_py() < most.as_py()
    )


def _minutes(case: Case, slots: WindowGrid) -> NDArray[np.uint64]:
    usage = case.usage
    octets = np.zeros((len(usage.links), 2, slots.windows * SLOT_MINUTES), np.uint64)
    here, there = _overlap(case, slots)
    octets[:, :, here] = np.rint(usage.wire_octets[:, :, there]).astype(np.uint64)
    return octets


def _covered(case: Case, slots: WindowGrid, day_ms: int) -> NDArray[np.bool_]:
    covered = np.zeros(slots.windows * SLOT_MINUTES, np.bool_)
    here, there = _overlap(case, slots)
    covered[here] = case.coverage.heard[there]
    own = (day_ms - slots.start_ms) // MINUTE_MS
    covered[own : own + DAY_MS // MINUTE_MS] = True
    for silence in silences(case):
        first = -(-(silence.start_ms - slots.start_ms) // MINUTE_MS)
        stop = (silence.end_ms - slots.start_ms) // MINUTE_MS
        covered[max(first, 0) : max(stop, 0)] = False
    return covered


def _overlap(case: Case, slots: WindowGrid) -> tuple[slice, slice]:
    """The minutes of the slots' grid that the usage has, and the same ones on the grid of the usage."""
    usage = case.usage
    begin = max(usage.start_ms, slots.start_ms)
    end = max(min(usage.start_ms + usage.windows * MINUTE_MS, slots.end_ms), begin)

    def minutes_since(origin: int) -> slice:
        return slice((begin - origin) // MINUTE_MS, (end - origin) // MINUTE_MS)

    return minutes_since(slots.start_ms), minutes_since(usage.start_ms)


def _by_link(flows: SiteFlows, rows: NDArray[np.intp], slots: WindowGrid, links: int) -> NDArray[np.uint64]:
    """IP octets of some rows on links in each slot; uint64 [link, slot]."""
    octets = spread(
        flows.start_ms[rows], flows.end_ms[rows], [flows.octets[rows]], slots, flows.link[rows], links
    )
    whole: NDArray[np.uint64] = np.rint(octets[0]).astype(np.uint64)
    return whole


def _hosts(flows: SiteFlows, links: list[int]) -> int:
    rows = np.flatnonzero(np.isin(flows.link, links))
    octets = np.bincount(flows.inside[rows], flows.octets[rows], len(flows.addresses))
    return int(np.count_nonzero(octets >= HOST_OCTETS))


def _missing(case: Case) -> Iterator[Missing]:
    if not case.coverage.links_apart:
        return
    for account in accounts(case):
        for gap in keepalive_silences(case, account, (account.requests, account.replies)):
            yield Missing(account.link, gap.start_ms, gap.end_ms)
