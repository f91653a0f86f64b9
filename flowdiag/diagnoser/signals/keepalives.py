"""Keepalive accounts: which records are keepalives, and how many packets were due and seen.

Shared by the four keepalive findings and by the link states; this module alleges nothing itself.

Facts it rests on: a keepalive is known from the profile by destination, protocol and port, whichever way
the record runs. One record covers many packets when the interval is shorter than the exporter's idle
timeout, and one packet when it is longer; both are read the same way, as `packets` beats spread evenly
from the record's start to its end. Budget (arithmetic): packets a direction = time / interval; octets =
packets x size.
"""

from __future__ import annotations

from collections.abc import Sequence
from ipaddress import ip_address
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.labels import label_of
from flowdiag.aggregator.site_flows import UP, SiteFlows
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.evidence import Place
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.conversations import ICMP, ICMPV6, TCP, UDP
from flowdiag.diagnoser.signals.shares import lies_in
from flowdiag.site.profile import Keepalive

_PROTOCOLS: Final = {"icmp": (ICMP, ICMPV6), "udp": (UDP,), "tcp": (TCP,)}

# A record counts as one beat of a TCP keepalive when it is shorter than this part of the interval: a check
# by TCP opens and closes a connection, several packets for one check. (Common practice, no source.)
_ONE_CHECK: Final = 0.5

# A record is exported at the latest this long after its last packet: idle timeouts are 15 s as a rule and
# 60 s at most as set in practice.
IDLE_TIMEOUT_MS: Final = 60_000
# A shorter silence is a blink of a cellular link. (Common practice, no source.)
LEAST_SILENCE_MS: Final = 60_000
# On a sampled export a silence counts where this many packets were to be seen on average; none by chance is
# e^-12.
LEAST_EXPECTED: Final = 12


class Beats(Struct, frozen=True, eq=False):
    """The records of one keepalive in one direction, in time order. Columns of one length.

    count: keepalives that the record stands for (scaled for sampling); records: how many records in all.
    """

    start_ms: NDArray[np.int64]
    end_ms: NDArray[np.int64]
    count: NDArray[np.float64]
    packets: NDArray[np.float64]
    octets: NDArray[np.float64]

    @property
    def records(self) -> int:
        return len(self.start_ms)

    def longest_record_ms(self) -> int:
        """The longest time that one record covers; what is still open at the export's end is no longer than that."""
        return int((self.end_ms - self.start_ms).max()) if self.records else 0


class Account(Struct, frozen=True, eq=False):
    """One keepalive of the profile and what the export shows of it.

    link: index of the link it is configured on. rows: all its rows, on any link. requests, replies: on
    that link. elsewhere: requests that left by another link; elsewhere_links: those links' indexes;
    replies_elsewhere: replies that came by another link.
    """

    link: int
    keepalive: Keepalive
    rows: NDArray[np.intp]
    requests: Beats
    replies: Beats
    elsewhere: Beats
    replies_elsewhere: Beats
    elsewhere_links: tuple[int, ...]

    @property
    def interval_ms(self) -> float:
        return self.keepalive.interval_s * 1000.0

    def least_ms(self, case: Case) -> float:
        """How long a silence must last to mean anything."""
        intervals = case.profile.thresholds.keepalive_missing_intervals
        if case.coverage.sampling > 1:
            intervals = max(intervals, LEAST_EXPECTED * case.coverage.sampling)
        return max(intervals * self.interval_ms, LEAST_SILENCE_MS)


class Gap(Struct, frozen=True):
    """A time without beats, [start, end) ms: from the first beat that was due and not seen to the next one seen."""

    start_ms: int
    end_ms: int

    @property
    def length_ms(self) -> int:
        return self.end_ms - self.start_ms


def mapped_address(text: str) -> bytes | None:
    """16 octets of an address (IPv4 mapped, RFC 4291 2.5.5.2); None for a host name, which no record can show."""
    try:
        address = ip_address(text)
    except ValueError:
        return None
    return address.packed if address.version == 6 else bytes(10) + b"\xff\xff" + address.packed


def probed_place(case: Case, address: str) -> list[Place]:
    """The one place that a keepalive is about, in the shape of every finding's evidence."""
    packed = mapped_address(address)
    return [{"address": address, "label": label_of(case.profile, packed) if packed else None, "share": 1.0}]


def _matching(case: Case, keepalive: Keepalive) -> NDArray[np.intp]:
    """Indexes of the rows on any link that run to or from the keepalive's destination by its protocol and
    port.

    A destination such as a public resolver is used by the site's hosts too. Where some rows are of
    addresses outside the LAN, those are the router's, and the hosts' are left out.
    """
    flows, lan = case.flows, case.profile.site.lan
    wanted = mapped_address(keepalive.destination)
    if wanted is None or wanted not in flows.addresses:
        return np.zeros(0, dtype=np.intp)
    target = flows.addresses.index(wanted)
    rows = np.flatnonzero((flows.outside == target) & (flows.link >= 0))
    right = np.isin(flows.protocol[rows], _PROTOCOLS[keepalive.protocol])
    if keepalive.port and keepalive.protocol != "icmp":
        right &= flows.outside_port[rows] == keepalive.port
    rows = rows[right]
    senders = np.unique(flows.inside[rows])
    routers = [index for index in senders if not lies_in(flows.addresses[int(index)], lan)]
    if len(routers) not in (0, len(senders)):
        rows = rows[np.isin(flows.inside[rows], routers)]
    return rows


def _beats(flows: SiteFlows, rows: NDArray[np.intp], keepalive: Keepalive) -> Beats:
    rows = rows[np.lexsort((flows.end_ms[rows], flows.start_ms[rows]))]
    start, end, packets = flows.start_ms[rows], flows.end_ms[rows], flows.packets[rows]
    count = packets
    if keepalive.protocol == "tcp":
        one_check = (end - start) < _ONE_CHECK * keepalive.interval_s * 1000.0
        count = np.where(one_check, np.minimum(packets, flows.sampling[rows]), packets)
    return Beats(start, end, count, packets, flows.octets[rows])


@once_per_case
def accounts(case: Case) -> tuple[Account, ...]:
    """One account per keepalive of the profile, in the profile's order."""
    flows = case.flows
    found = []
    for index, link in enumerate(case.profile.link):
        for keepalive in link.keepalive:
            rows = _matching(case, keepalive)
            here = flows.link[rows] == index
            up = flows.direction[rows] == UP
            # The same destination may be watched over several links on purpose; then it is at home on each
            # of them.
            at_home = [
                i for i, other in enumerate(case.profile.link) for k in other.keepalive if _same(k, keepalive)
            ]
            away = ~np.isin(flows.link[rows], at_home)
            strayed = up & away
            found.append(
                Account(
                    link=index,
                    keepalive=keepalive,
                    rows=rows,
                    requests=_beats(flows, rows[here & up], keepalive),
                    replies=_beats(flows, rows[here & ~up], keepalive),
                    elsewhere=_beats(flows, rows[strayed], keepalive),
                    replies_elsewhere=_beats(flows, rows[~up & away], keepalive),
                    elsewhere_links=tuple(int(i) for i in np.unique(flows.link[rows[strayed]])),
                )
            )
    return tuple(found)


def keepalive_rows(case: Case) -> NDArray[np.intp]:
    """The rows of all keepalives of the profile, on any link."""
    return np.concatenate([np.zeros(0, dtype=np.intp), *(account.rows for account in accounts(case))])


def _same(one: Keepalive, other: Keepalive) -> bool:
    return (one.destination, one.protocol, one.port) == (other.destination, other.protocol, other.port)


def gaps(beats: Sequence[Beats], interval_ms: float, span: tuple[int, int], at_least_ms: float) -> list[Gap]:
    """Times within span [from, to) in which no beat of any of `beats` was seen for at_least_ms or more.

    A gap starts at the first beat that was due and not seen, so a steady keepalive has none however it is
    recorded.
    """
    start = np.concatenate([b.start_ms for b in beats])
    end = np.concatenate([b.end_ms for b in beats])
    order = np.argsort(start, kind="stable")
    # The span's own ends stand as beats, so that gaps at its edges count.
    begins = np.concatenate([start[order], [span[1]]]).astype(np.float64)
    ends = np.maximum.accumulate(np.concatenate([[span[0] - interval_ms], end[order]]).astype(np.float64))
    due = np.maximum(ends + interval_ms, span[0])
    next_beat = np.minimum(begins, span[1])
    # Half an interval of slack: a silence of three intervals is three beats that did not come.
    long = np.flatnonzero(next_beat - due >= at_least_ms - 0.5 * interval_ms)
    return [Gap(int(due[i]), int(next_beat[i])) for i in long]


def silences(case: Case, account: Account, beats: Sequence[Beats]) -> list[Gap]:
    """Gaps of a keepalive that mean something: long enough, while the exporter was heard, not explained by
    loss.

    Gaps with no real run of beats between them are one.
    """
    coverage = case.coverage
    if coverage.first_ms is None or coverage.last_ms is None:
        return []
    span = (coverage.first_ms, coverage.last_ms)
    least = account.least_ms(case)
    longest = max((b.longest_record_ms() for b in beats), default=0)
    open_ms = (longest if any(b.records for b in beats) else coverage.resolution_s * 1000) + IDLE_TIMEOUT_MS
    kept = []
    for gap in _joined(gaps(beats, account.interval_ms, span, least), least):
        # What one record may cover is not exported yet, or was exported before the export begins.
        blind = open_ms * (int(gap.start_ms == span[0]) + int(gap.end_ms == span[1]))
        if not any(b.records for b in beats):
            blind = open_ms
        if _loss_within(case, gap, open_ms):
            blind = max(blind, 2 * longest + IDLE_TIMEOUT_MS)
        blind = max(blind, _unheard_touching(case, gap) and open_ms)
        restarted = _restarted_within(case, gap)
        blind = max(blind, restarted and restarted + open_ms)
        if _heard_ms(case, gap) - blind >= least - 0.5 * account.interval_ms:
            kept.append(gap)
    return kept


def beats_in(beats: Beats, gap: Gap) -> float:
    """How many keepalives fall in a time, each record's spread over its own time."""
    if beats.records == 0:
        return 0.0
    lasting = np.maximum(beats.end_ms - beats.start_ms, 1)
    begin = np.maximum(beats.start_ms, gap.start_ms)
    end = np.minimum(np.maximum(beats.end_ms, beats.start_ms + 1), gap.end_ms)
    return float((beats.count * np.clip((end - begin) / lasting, 0.0, 1.0)).sum())


def _joined(found: list[Gap], least_ms: float) -> list[Gap]:
    joined: list[Gap] = []
    for gap in found:
        if joined and gap.start_ms - joined[-1].end_ms < least_ms:
            joined[-1] = Gap(joined[-1].start_ms, gap.end_ms)
        else:
            joined.append(gap)
    return joined


def _loss_within(case: Case, gap: Gap, open_ms: int) -> bool:
    return any(gap.start_ms <= loss.time_ms <= gap.end_ms + open_ms for loss in case.coverage.losses)


def _restarted_within(case: Case, gap: Gap) -> int:
    """How much of a gap, ms, a restart of the exporter explains; what it held in its cache then is lost besides."""
    spans = [(max(start, gap.start_ms), min(end, gap.end_ms)) for start, end in case.coverage.restarts]
    return sum(end - start for start, end in spans if start < end)


def _windows_of(case: Case, gap: Gap) -> NDArray[np.bool_]:
    """In which windows of a gap the exporter was heard, and a keepalive's own record would have come."""
    windows = case.usage.touched(gap.start_ms, gap.end_ms)
    return case.coverage.heard[windows] & ~_lost_windows(case)[windows]


@once_per_case
def _lost_windows(case: Case) -> NDArray[np.bool_]:
    """Windows between the last message before some were lost and the one that told so. What covers them all the same are long
    records that were sent later; short ones, as of keepalives, are among the lost."""
    usage = case.usage
    lost = np.zeros(usage.windows, np.bool_)
    for loss in case.coverage.losses:
        if loss.since_ms is not None:
            first, last = (
                (time_ms - usage.start_ms) // usage.window_ms for time_ms in (loss.since_ms, loss.time_ms)
            )
            lost[max(first + 1, 0) : max(last, 0)] = True
    return lost


def _heard_ms(case: Case, gap: Gap) -> float:
    """How much of a gap the exporter was surely heard in: a window beside a silent one is itself silent in part."""
    heard = _windows_of(case, gap)
    if len(heard) == 0:
        return 0.0
    certain = heard.copy()
    certain[1:] &= heard[:-1]
    certain[:-1] &= heard[1:]
    return gap.length_ms * float(certain.mean())


def _unheard_touching(case: Case, gap: Gap) -> bool:
    heard = _windows_of(case, gap)
    return bool(len(heard)) and not bool(heard.all())
