"""Cases by hand: flow rows written one after another or in rows of even steps, and the usage that follows.

Times are seconds after Monday 2 March 2026, 10:00 UTC. The site has a primary `fibre` of 100/20 Mbit/s and a
backup `lte` of 30/5 Mbit/s unless told otherwise; plans count IP octets, so figures are easy to work out.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from ipaddress import ip_address
from typing import Any

import numpy as np

from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.site_flows import DOWN, NO_LINK, UP, SiteFlows
from flowdiag.aggregator.usage import Usage
from flowdiag.collector.report import LossEvent
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.timeline import Grid
from flowdiag.site.profile import Keepalive, Label, Link, Profile, Site, Thresholds

ZERO_MS = 1_772_445_600_000  # 2026-03-02T10:00:00Z
MINUTE = 60
TCP, UDP, ICMP = 6, 17, 1
WHOLE = 0x1B  # SYN, ACK, PSH and FIN: a connection from start to end
SYN = 0x02
LINKS = {"fibre": 0, "lte": 1, "cable": 2, None: NO_LINK}

PING = Keepalive(destination="198.51.100.1", protocol="icmp", interval_s=10, packet_bytes=84)


def ms(seconds: float) -> int:
    return ZERO_MS + round(seconds * 1000)


def profile(
    *,
    backup: bool = True,
    keepalives: Sequence[Keepalive] = (),
    allowance_gb: float | None = None,
    hours: str | None = None,
    thresholds: Thresholds | None = None,
    extra: Sequence[Link] = (),
) -> Profile:
    links = [Link(name="fibre", interfaces=[2], down_mbps=100, up_mbps=20, framing="ip")]
    if backup:
        links.append(
            Link(
                name="lte", role="backup", interfaces=[3], down_mbps=30, up_mbps=5, framing="ip",
                variable=True, allowance_gb=allowance_gb, keepalive=list(keepalives),
            )
        )  # fmt: skip
    return Profile(
        site=Site(name="Harbour Lane", lan=["192.168.40.0/24", "2001:db8:40::/48"], hours=hours),
        link=[*links, *extra],
        label=[Label(network="192.168.40.20/32", name="imaging archive")],
        thresholds=thresholds or Thresholds(),
    )


@cache
def packed(text: str) -> bytes:
    """An address as 16 octets. Floods have the same ones tens of thousands of times."""
    address = ip_address(text)
    return address.packed if address.version == 6 else bytes(10) + b"\xff\xff" + address.packed


class Book:
    """Rows of a SiteFlows, written by hand."""

    def __init__(self) -> None:
        self.rows: list[tuple[Any, ...]] = []
        self.places: dict[bytes, int] = {}

    def place(self, text: str) -> int:
        return self.places.setdefault(packed(text), len(self.places))

    def row(
        self,
        start: float,
        end: float,
        *,
        way: int,
        octets: float,
        packets: float = 0,
        link: str | None = "fibre",
        inside: str = "192.168.40.20",
        outside: str = "203.0.113.9",
        port: int = 443,
        inside_port: int = 50_000,
        protocol: int = TCP,
        flags: int = WHOLE,
        opened_inside: int = 1,
        sampling: int = 1,
        ingress: int = -1,
        egress: int = -1,
    ) -> None:
        """One record. packets 0: as many as 1000-octet packets make."""
        self.rows.append(
            (ms(start), ms(end), octets, packets or max(octets / 1000, 1), LINKS[link], way if link else -1,
             self.place(inside), self.place(outside), inside_port, port, protocol, flags, opened_inside,
             sampling, ingress, egress)
        )  # fmt: skip

    def talk(self, start: float, end: float, down: float, up: float, **more: Any) -> None:
        """Both directions of one conversation."""
        if down:
            self.row(start, end, way=DOWN, octets=down, **more)
        if up:
            self.row(start, end, way=UP, octets=up, **more)

    def browse(
        self,
        begin: float,
        end: float,
        *,
        link: str = "fibre",
        every: float = 2.0,
        down: float = 20_000,
        hosts: int = 6,
    ) -> None:
        """Conversations of one second each, `every` so many seconds, by several hosts with forty servers."""
        for number, start in enumerate(np.arange(begin, end - 1, every)):
            self.talk(
                float(start), float(start) + 1, down, down / 20, link=link,
                inside=f"192.168.40.{20 + number % hosts}", outside=f"203.0.113.{1 + number % 40}",
                inside_port=20_000 + round(float(start)) % 40_000,
            )  # fmt: skip

    def pings(
        self,
        begin: float,
        end: float,
        *,
        interval: float = 10.0,
        link: str = "lte",
        answered: bool = True,
        a_record: int = 6,
        size: int = 84,
    ) -> None:
        """Keepalives to 198.51.100.1, `a_record` of them in each record, the last one with what is left."""
        times = np.arange(begin, end, interval)
        for first in range(0, len(times), a_record):
            part = times[first : first + a_record]
            same: dict[str, Any] = {
                "link": link, "inside": "192.0.2.10", "outside": "198.51.100.1", "protocol": ICMP,
                "packets": len(part), "octets": len(part) * size, "flags": 0,
            }  # fmt: skip
            self.row(float(part[0]), float(part[-1]), way=UP, port=2048, inside_port=0, **same)
            if answered:
                self.row(float(part[0]), float(part[-1]), way=DOWN, port=0, inside_port=0, **same)

    def case(
        self,
        of: Profile | None = None,
        *,
        span: tuple[float, float] | None = None,
        heard: Sequence[tuple[float, float]] | None = None,
        losses: Sequence[float] = (),
        resolution_s: int = 60,
        reported: str | None = "it is slow",
        links_apart: bool = True,
        window: tuple[float, float] | None = None,
        arrived: tuple[bool, ...] = (),
    ) -> Case:
        """The case of these rows. span: seconds that the export covers; heard: when the exporter lived."""
        of = of or profile()
        columns = (
            [np.array(column) for column in zip(*self.rows, strict=True)] if self.rows else [np.zeros(0)] * 16
        )
        start, end = columns[0].astype(np.int64), columns[1].astype(np.int64)
        first, last = (ms(span[0]), ms(span[1])) if span else (int(start.min()), int(end.max()))
        grid = Grid(first // 60_000 * 60_000, 60_000, (last - first // 60_000 * 60_000) // 60_000 + 1)
        octets, packets = columns[2].astype(float), columns[3].astype(float)
        link, way = columns[4].astype(np.int8), columns[5].astype(np.int8)
        flows = SiteFlows(
            start_ms=start, end_ms=end, octets=octets, packets=packets, wire_octets=octets, link=link,
            direction=way,
            inside=columns[6].astype(np.int32), outside=columns[7].astype(np.int32),
            inside_port=columns[8].astype(np.int32), outside_port=columns[9].astype(np.int32),
            protocol=columns[10].astype(np.int16), tcp_flags=columns[11].astype(np.int32),
            dscp=np.zeros(len(start), np.int8), application=np.zeros(len(start), np.int32),
            opened_inside=columns[12].astype(np.int8), end_reason=np.zeros(len(start), np.uint8),
            sampling=columns[13].astype(np.float32), ingress=columns[14].astype(np.int32),
            egress=columns[15].astype(np.int32), addresses=tuple(self.places), applications=("web",),
        )  # fmt: skip
        spread = np.zeros((3, len(of.link), 2, grid.bins))
        for index in range(len(of.link)):
            for direction in (DOWN, UP):
                rows = (link == index) & (way == direction)
                for kind, values in enumerate((octets, octets, packets)):
                    spread[kind, index, direction] = grid.spread(start[rows], end[rows], values[rows])
        alive = np.zeros(grid.bins, np.bool_)
        for begin, stop in (
            heard if heard is not None else [((first - ZERO_MS) / 1000, (last - ZERO_MS) / 1000)]
        ):
            alive[grid.bin_of(np.array(ms(begin))) : grid.bin_of(np.array(ms(stop))) + 1] = True
        coverage = Coverage(
            records=len(start), first_ms=first, last_ms=last, heard=alive,
            losses=tuple(LossEvent(b"", 0, ms(at), 1, 20) for at in losses), lost_records=20 * len(losses),
            lost_messages=len(losses), lost_is_estimate=False, undecoded_records=0,
            sampling=float(columns[13].max()) if self.rows else 1.0, resolution_s=resolution_s,
            resolution_known=True,
            links_apart=links_apart, interface_names={}, remarks=(), arrived=arrived,
        )  # fmt: skip
        usage = Usage(grid.start_ms, 60_000, tuple(one.name for one in of.link), *spread)
        looked_at = (ms(window[0]), ms(window[1])) if window else (first, last + 1)
        return Case(of, flows, usage, coverage, looked_at, window is not None, reported)


def bare(of: Profile | None = None, *, span: tuple[float, float] = (0, 3600), **more: Any) -> Case:
    """A case with one record that says next to nothing, of a site whose backup is tested."""
    book = Book()
    book.row(span[0], span[0] + 1, way=DOWN, octets=1000)
    return book.case(of or profile(keepalives=[PING]), span=span, **more)


def rows_of(
    *rows: dict[str, Any], span: tuple[float, float] = (0, 3600), of: Profile | None = None, **more: Any
) -> Case:
    """A case of these rows: downloads of 1000 octets in the first second, or as they are told otherwise."""
    book = Book()
    for row in rows:
        how: dict[str, Any] = {"way": DOWN, "octets": 1000, **row}
        book.row(how.pop("start", 0), how.pop("end", 1), **how)
    return book.case(of, span=span, **more)
