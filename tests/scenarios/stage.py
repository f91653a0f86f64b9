"""A stage draws a site, a router and a working day by number; a situation then plays on it and says what is
to be found.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

import numpy as np
from msgspec.structs import replace

from flowdiag.scenario import activities as do
from flowdiag.scenario.exporting import Exporting
from flowdiag.scenario.metering import Meter
from flowdiag.scenario.scene import MINUTE, Scene
from flowdiag.scenario.site import Site, SiteKeepalive, SiteLink
from flowdiag.scenario.write import enact, generator, metered
from tests.scenarios.evidence import cause_on_link, complete
from tests.scenarios.expecting import add_expectations
from tests.scenarios.fine import add_fine_expectations, edge_ms
from tests.scenarios.labels import Another, Labelled, Severity, Times, Wanted
from tests.scenarios.visible import faithful

PLANS = ((8, 1), (20, 2), (50, 10), (100, 20), (100, 40), (250, 25), (300, 100), (500, 500), (1000, 500))
FRAMINGS = ("ip", "ethernet", "wire", "pppoe")
ZONES = (
    "UTC", "Pacific/Auckland", "Europe/Berlin", "America/New_York", "America/Sao_Paulo", "Asia/Kolkata",
    "Australia/Lord_Howe", "Asia/Kathmandu", "Pacific/Chatham", "America/St_Johns",
)  # fmt: skip
BACKUPS = ((30, 5), (20, 4), (50, 10), (12, 3))
COMPLAINTS = ("video calls freeze", "the internet is slow", "pages take ages", "uploads crawl since lunch")
Situational = Callable[["Stage"], None]
# A draw that chance made another situation is drawn again, so often at most.
MOST_REDRAWS = 5
REDRAW = 10**13

SITUATIONS: dict[str, Situational] = {}


def situation(play: Situational) -> Situational:
    """Registers a situation under its function's name."""
    name = play.__name__.replace("_", "-")
    assert name not in SITUATIONS, name
    SITUATIONS[name] = play
    return play


class Stage:
    """Set it with `site`, `router` and `open`, play on `scene`, then say `verdict`, `want`, `allow`,
    `forbid`.
    """

    def __init__(self, name: str, number: int, redraw: int = 0) -> None:
        self.name = f"{name}/{number}"
        self.rng = generator(zlib.crc32(name.encode()) * 1000 + number + redraw * REDRAW)
        self.sampling = 1
        self.reported: str | None = str(self.rng.choice(COMPLAINTS))
        self.window: tuple[int, int] | None = None
        self.verdicts: tuple[str, ...] = ("not-the-link",)
        self.wanted: list[Wanted] = []
        self.allowed: set[str] = set()
        self.forbidden: set[str] = set()
        self.healthy = False
        self.fine = False  # expect it at the resolution of the records, down to seconds (fine.py)
        self.automatic = True  # expect what the truth says of full and busy links and of the largest host
        self.note: str | None = None
        self.extra_tolerance = 0
        self.restart: tuple[int, int] | None = None
        self.words: list[str] = []
        self.hushed: list[str] = []
        self.moments: list[float] = []
        self.tolerance: int | None = None  # ms, in place of what the router's records allow
        self.never_high = False
        # None: as evidence.py derives them.
        self.cause_on_link: bool | None = None
        self.complete: bool | None = None
        self.ways: list[str] = ["gzip"] if self.rng.random() < 0.1 else []
        self.foreign = False  # a second router's full link is in the same capture
        self.split_interfaces = False  # every other conversation uses the first link's second interface
        # Who is answered by another link than asked: hosts, and that link's position.
        self.answered_by: tuple[tuple[int, ...], int] | None = None
        self.answered_most = 1.0  # of the octets, what those hosts may have at the most
        self._draw_router()

    def choose(self, options: Sequence[Any]) -> Any:
        return options[int(self.rng.integers(len(options)))]

    def uniform(self, low: float, high: float) -> float:
        return float(self.rng.uniform(low, high))

    def _draw_router(self) -> None:
        protocol, times = self.choose(
            (("ipfix", "milliseconds"), ("ipfix", "seconds"), ("ipfix", "deltas"), ("netflow9", "uptime"),
             ("netflow9", "uptime"), ("netflow5", "uptime"))
        )  # fmt: skip
        both = bool(self.rng.random() < 0.2) and protocol != "netflow5"
        self.exporting = Exporting(
            protocol=protocol,
            times=times,
            domain=int(self.rng.integers(0, 200)),
            records_per_message=int(self.rng.integers(8, 31)),
            template_interval_s=int(self.choose((60, 300, 600))),
            uptime_ms=int(self.rng.integers(10**6, 4 * 10**9)),
            direction_field=both or bool(self.rng.random() < 0.3),
            reason_field=bool(self.rng.random() < 0.85),
            application_field=protocol != "netflow5" and bool(self.rng.random() < 0.3),
            first_sequence=int(self.rng.integers(0, 2**32)),
        )
        self.meter = Meter(active_s=int(self.choose((60, 60, 60, 120, 300, 1800))), both_points=both)
        self.container: Literal["pcap", "ipfix"] = "pcap"
        if protocol == "ipfix" and self.rng.random() < 0.4:
            self.container = "ipfix"

    def router(self, **changes: Any) -> None:
        """Changes to how the router meters (active_s, both_points, sampling, flush) and exports (the
        rest).
        """
        metering = {key: value for key, value in changes.items() if key in Meter.__struct_fields__}
        rest = {key: value for key, value in changes.items() if key not in metering}
        self.meter = replace(self.meter, **metering)
        self.exporting = replace(self.exporting, **rest)
        if self.exporting.protocol != "ipfix":
            self.container = "pcap"
            self.exporting = replace(self.exporting, times="uptime")
        elif self.exporting.times == "uptime":
            self.exporting = replace(self.exporting, times="milliseconds")

    def site(
        self,
        plan: tuple[float, float] | None = None,
        *,
        backup: bool = False,
        keepalives: tuple[SiteKeepalive, ...] | None = None,
        plans: Sequence[tuple[float, float]] = PLANS,
        v6: bool | None = None,
        hours: str | None = None,
        backup_plan: tuple[float, float] | None = None,
        allowance_gb: float | None = None,
        **primary: Any,
    ) -> Site:
        """Draws a site. keepalives None: one ICMP keepalive each ten seconds, where there is a backup."""
        down, up = plan or self.choose(plans)
        has_v6 = bool(self.rng.random() < 0.6) if v6 is None else v6
        if has_v6 and self.exporting.protocol == "netflow5":
            self.router(protocol="netflow9")
        net = int(self.rng.integers(1, 250))
        lan = (f"192.168.{net}.0/24",) if self.rng.random() < 0.7 else (f"10.{net}.8.0/22",)
        primary.setdefault("framing", self.choose(FRAMINGS))
        primary.setdefault("interfaces", (int(self.rng.integers(2, 90)),))
        links = [SiteLink("fibre", down, up, **primary)]
        if backup:
            if keepalives is None:
                keepalives = (SiteKeepalive("198.51.100.1", interval_s=self.choose((5, 10, 10, 30))),)
            b_down, b_up = backup_plan or self.choose(BACKUPS)
            links.append(
                SiteLink(
                    "lte", b_down, b_up, (int(self.rng.integers(100, 200)),), "backup", variable=True,
                    allowance_gb=allowance_gb, keepalives=keepalives,
                )
            )  # fmt: skip
        self.the_site = Site(
            name=f"Invented site {net}",
            links=tuple(links),
            timezone=str(self.choose(ZONES)),
            lan=lan + (("2001:db8:40::/48",) if has_v6 else ()),
            exporter=f"192.0.2.{net}",
            declared_exporters=(f"192.0.2.{net}",) if self.container == "pcap" and net % 2 else (),
            hours=hours,
        )
        return self.the_site

    def open(
        self,
        minutes: float = 90,
        *,
        at: tuple[int, int] | None = None,
        day: tuple[int, int, int] | None = None,
        hosts: int | None = None,
        step_ms: int = 1000,
        background: float | None = None,
    ) -> Scene:
        """Opens the scene on a working day at a local time. background: mean browsing as a share of the
        download plan.
        """
        if not hasattr(self, "the_site"):
            self.site()
        site = self.the_site
        hour, minute = at or (int(self.rng.integers(9, 15)), int(self.rng.integers(0, 60)))
        year, month, date = day or (2026, int(self.rng.integers(1, 13)), int(self.rng.integers(5, 12)))
        moment = datetime(
            year, month, date, hour, minute, int(self.rng.integers(0, 60)), tzinfo=ZoneInfo(site.timezone)
        )
        if day is None:  # a weekday
            moment = moment.replace(day=moment.day + (7 - moment.weekday() if moment.weekday() > 4 else 0))
        self.start = int(moment.timestamp() * 1000)
        self.end = self.start + int(minutes * MINUTE)
        count = hosts or int(self.rng.integers(4, 36))
        self.scene = Scene(site, self.start, self.end, self.rng, hosts=count, step_ms=step_ms)
        share = self.uniform(0.02, 0.08) if background is None else background
        if share:
            do.office(self.scene, self.start, self.end, min(share * site.links[0].down_mbps, 30))
        if len(site.links) > 1:
            for spec in site.links[1].keepalives:
                self.keep_alive(spec)
        return self.scene

    def keep_alive(self, spec: SiteKeepalive) -> None:
        """The site's keepalives work; situations about keepalives replace this."""
        if not self._custom_keepalives:
            do.keepalive(self.scene, 1, spec, self.start, self.end)

    _custom_keepalives = False

    def custom_keepalives(self) -> None:
        """The situation sends its own keepalives (call before open)."""
        self._custom_keepalives = True

    # Times and amounts

    def at(self, minutes: float) -> int:
        """Minutes after the start of the export."""
        return self.start + round(minutes * MINUTE)

    def up_megabytes(self, minutes: float) -> float:
        """MB that fill the upload for so many minutes."""
        return self.the_site.links[0].up_mbps * 0.93 / 8 * 60 * minutes

    def down_megabytes(self, minutes: float) -> float:
        return self.the_site.links[0].down_mbps * 0.93 / 8 * 60 * minutes

    def look(self, from_minutes: float, to_minutes: float) -> None:
        """The complaint's window, minutes after the start, on whole minutes of the clock."""
        self.window = (self.at(from_minutes) // MINUTE * MINUTE, self.at(to_minutes) // MINUTE * MINUTE)

    def look_seconds(self, from_s: float, to_s: float) -> None:
        """The complaint's window, whole seconds after the start, on whole seconds of the clock."""
        self.window = (self.at(from_s / 60) // 1000 * 1000, self.at(to_s / 60) // 1000 * 1000)

    def audit(self) -> None:
        """Nobody complained."""
        self.reported = None

    # Expectations

    def verdict(self, *codes: str) -> None:
        self.verdicts = codes

    def want(
        self,
        code: str,
        *,
        severity: Severity | Literal["any"] | None = None,
        link: str | None = None,
        direction: str | None = None,
        start: float | None = None,
        end: float | None = None,
        hosts: dict[str, float] | None = None,
        evidence: dict[str, Any] | None = None,
        once: bool = False,
    ) -> None:
        """start, end: ms, each to be met within the tolerance."""
        times = Times((start, start) if start is not None else None, (end, end) if end is not None else None)
        self.wanted.append(Wanted(code, severity, link, direction, times, hosts or {}, evidence or {}, once))

    def allow(self, *codes: str) -> None:
        self.allowed.update(codes)

    def forbid(self, *codes: str) -> None:
        self.forbidden.update(codes)

    def says(self, *words: str) -> None:
        """The client's part must hold these."""
        self.words += words

    def hushes(self, *words: str) -> None:
        """The client's part must not hold these."""
        self.hushed += words

    def tells(self, *moments: float) -> None:
        """The client's part must name these times, ms."""
        self.moments += moments

    def address(self, number: int) -> str:
        import ipaddress

        packed = self.scene.ledger.addresses[int(number)]
        v4 = packed[:12] == bytes(10) + b"\xff\xff"
        return str(ipaddress.ip_address(packed[12:] if v4 else packed))

    def labelled(self) -> Labelled:
        """Enacts what was played and adds what its truth asks for."""
        situation = enact(self.scene, self.meter)
        if self.meter.active_s > 60 and self.meter.flush and not faithful(situation, situation.truth()):
            self.meter = replace(self.meter, active_s=60)
            situation = metered(situation.carried, self.meter, self.rng)
        if self.split_interfaces:
            _split(situation.records, *self.the_site.links[0].interfaces[:2])
        if self.answered_by is not None:
            hosts, link = self.answered_by
            records = situation.records
            theirs = np.isin(records["src"], hosts) | np.isin(records["dst"], hosts)
            if float(records["octets"][theirs].sum() / records["octets"].sum()) > self.answered_most:
                raise Another(f"{self.name}: these hosts have more of the traffic than its label says")
            _answer_by(records, hosts, self.the_site.links[link].interfaces[0], self.the_site.lan_interface)
        # A long active timeout blurs the edges of what long flows carried.
        tolerance = MINUTE + min(max(self.meter.active_s - 60, 0), 300) * 1000 + self.extra_tolerance
        if self.fine:
            add_fine_expectations(self, situation.truth())
            tolerance = edge_ms(self.meter.active_s) + self.extra_tolerance
        elif self.automatic:
            add_expectations(self, situation.truth())
        return Labelled(
            self.name,
            situation,
            self.exporting,
            self.container,
            self.window,
            self.reported,
            self.verdicts,
            tuple(self.wanted),
            frozenset(self.allowed),
            frozenset(self.forbidden),
            self.healthy,
            tolerance if self.tolerance is None else self.tolerance,
            self.note,
            self.foreign,
            tuple(self.ways),
            self.restart,
            tuple(self.words),
            tuple(self.hushed),
            tuple(self.moments),
            self.never_high,
            cause_on_link(self.verdicts) if self.cause_on_link is None else self.cause_on_link,
            complete(self, situation.truth()) if self.complete is None else self.complete,
        )


def _split(records: Any, first: int, second: int) -> None:
    odd = (records["src_port"] + records["dst_port"]) % 2 == 1
    for side in ("ingress", "egress"):
        records[side][odd & (records[side] == first)] = second


def _answer_by(records: Any, hosts: tuple[int, ...], interface: int, lan_interface: int) -> None:
    """What comes for these hosts comes in by that interface."""
    came = np.isin(records["dst"], hosts) & (records["egress"] == lan_interface)
    came &= records["ingress"] != lan_interface
    records["ingress"][came] = interface


def labelled(name: str, number: int) -> Labelled:
    """Plays a registered situation with a number; once more, with other chances, where chance made another of it.

    Raises Another if that goes on: the situation is not what its label says.
    """
    for redraw in range(MOST_REDRAWS):
        stage = Stage(name, number, redraw)
        SITUATIONS[name](stage)
        try:
            return stage.labelled()
        except Another as error:
            told = error
    raise told


def spread(stage: Stage, count: int, low: float, high: float) -> Any:
    """So many sorted moments between two, in minutes after the start."""
    return np.sort(stage.rng.uniform(low, high, count))
