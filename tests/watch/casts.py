"""Sites to be watched in played time, each with something that goes wrong at known times, or with nothing that does.

A cast is drawn by name and number: its line, its router (protocol, timeouts, clock) and its people differ from draw to draw.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.random import Generator
from numpy.typing import NDArray

from flowdiag.scenario import activities as do
from flowdiag.scenario import trouble
from flowdiag.scenario.exporting import Exporting, Message
from flowdiag.scenario.metering import Meter
from flowdiag.scenario.scene import MINUTE, Scene
from flowdiag.scenario.site import Site, SiteKeepalive, SiteLink, profile_toml
from flowdiag.scenario.write import Situation, enact, generator
from flowdiag.site.profile import Profile
from flowdiag.site.reading import profile_from_text
from flowdiag.watch.event import NOT_HEARD
from tests.scenarios.delivery import delivered
from tests.watch.player import Arriving, arriving

ZONE: Final = "Pacific/Auckland"
NOON: Final = int(datetime(2026, 3, 3, 12, 0, tzinfo=ZoneInfo(ZONE)).timestamp() * 1000)  # a Tuesday
BEFORE: Final = 100  # minutes of ordinary traffic before anything happens
PLANS: Final = ((50, 10), (100, 20), (100, 40), (250, 50))
MAIN, BACKUP = "main line", "cellular"


class Truth(Struct, frozen=True):
    """Something that is to be told. Times in ms since 1970 UTC; ended_ms None where it goes on to the end of the play; certain:
    not where the thresholds leave open whether it is told, or how often."""

    code: str
    began_ms: int
    ended_ms: int | None = None
    link: str | None = None
    direction: str | None = None
    certain: bool = True


class Cast(Struct, frozen=True):
    """A site, what arrives of it, and what is to be told. resolution_ms: of its records, in time; from_ms, until_ms: of the
    play."""

    name: str
    profile: Profile
    arriving: tuple[list[Arriving], ...]
    truth: tuple[Truth, ...]
    resolution_ms: int
    from_ms: int
    until_ms: int


class Play:
    """What a situation is played with. Change `meter` and `exporting`; `at` is minutes after the trouble may begin.

    minutes, before: after and before that; most: hosts, one less at the most."""

    def __init__(
        self, name: str, number: int, minutes: int = 180, *, before: int = BEFORE, most: int = 14
    ) -> None:
        self.rng: Generator = generator(zlib.crc32(f"watch {name}".encode()) * 1000 + number)
        self.probe = SiteKeepalive("198.51.100.1", interval_s=self.choose((10, 10, 30, 60)))
        down, up = self.choose(PLANS)
        self.site = Site(
            name=f"{name} {number}",
            timezone=ZONE,
            exporter=f"10.77.{number // 200}.{1 + number % 200}",
            declared_exporters=(f"10.77.{number // 200}.{1 + number % 200}",),
            hours="Mon-Fri 08:00-18:00" if self.rng.random() < 0.5 else None,
            links=(
                SiteLink(MAIN, down, up, (2,)),
                SiteLink(
                    BACKUP, 30, 6, (3,), role="backup", variable=True, allowance_gb=50, keepalives=(self.probe,)
                ),
            ),
        )  # fmt: skip
        protocol, times = self.choose(
            (("ipfix", "milliseconds"), ("ipfix", "seconds"), ("netflow9", "uptime"), ("netflow5", "uptime"))
        )
        self.meter = Meter(active_s=int(self.choose((60, 60, 120, 300))), flush=False)
        self.exporting = Exporting(
            protocol=protocol,
            times=times,
            template_interval_s=int(self.choose((60, 300))),
            records_per_message=int(self.rng.integers(8, 31)),
            uptime_ms=int(self.rng.integers(10**6, 4 * 10**9)),
        )
        self.begin = NOON - before * MINUTE
        self.end = NOON + minutes * MINUTE
        self.truth: list[Truth] = []
        self.moved: NDArray[np.int64] | None = None  # the transfers whose end is that of the first truth
        self.restart: tuple[int, int] | None = None
        self.late: tuple[int, int, int] | None = None  # what was sent in [from, to) arrives from then on, ms
        self.apart = False  # the backup has a router of its own
        self.scene = Scene(self.site, self.begin, self.end, self.rng, hosts=int(self.rng.integers(4, most)))

    def choose(self, options: Sequence[Any]) -> Any:
        return options[int(self.rng.integers(len(options)))]

    def at(self, minutes: float) -> int:
        return NOON + round(minutes * MINUTE)

    @property
    def down(self) -> float:
        return self.site.links[0].down_mbps

    @property
    def up(self) -> float:
        return self.site.links[0].up_mbps

    def usual(self, share: float = 0.05, *, probes: bool = True) -> None:
        """An ordinary working day."""
        do.office(self.scene, self.begin, self.end, share * self.down)
        if probes:
            do.keepalive(self.scene, 1, self.probe, self.begin, self.end)

    def tell(
        self, code: str, begin: float, end: float | None, link: str | None = None, direction: str | None = None,
        *, certain: bool = True,
    ) -> None:  # fmt: skip
        """begin, end: as for at()."""
        ended_ms = None if end is None else self.at(end)
        self.truth.append(Truth(code, self.at(begin), ended_ms, link, direction, certain))

    def cast(self) -> Cast:
        situation = enact(self.scene, self.meter)
        if self.moved is not None:
            chunks = situation.carried.chunks
            ended_ms = int(chunks["end"][np.isin(chunks["conversation"], self.moved)].max())
            self.truth[0] = replace(self.truth[0], ended_ms=ended_ms)
        routers = [(self.site.exporter, situation, self.exporting)]
        if self.apart:
            on_backup = (situation.records["ingress"] == 3) | (situation.records["egress"] == 3)
            parts = [
                replace(situation, records=situation.records[which]) for which in (~on_backup, on_backup)
            ]
            other = "10.78.0.1"
            self.site = replace(self.site, declared_exporters=(self.site.exporter, other))
            offset = replace(self.exporting, clock_offset_ms=self.exporting.clock_offset_ms - 40_000)
            routers = [(self.site.exporter, parts[0], self.exporting), (other, parts[1], offset)]
        came = tuple(arriving(address, self._delivered(part, how)) for address, part, how in routers)
        return Cast(
            self.site.name,
            profile_from_text(profile_toml(self.site), f"{self.site.name}.toml"),
            came,
            tuple(self.truth),
            self.meter.active_s * 1000,
            self.begin,
            self.end,
        )

    def _delivered(self, situation: Situation, exporting: Exporting) -> list[Message]:
        messages = delivered(situation, exporting, (), self.restart)
        if self.late is None:
            return messages
        begin, end, then = self.late
        held = [one for one in messages if begin <= one.time_ms < end]
        others = [one for one in messages if not begin <= one.time_ms < end]
        return [*others, *(one._replace(time_ms=then + 5 * number) for number, one in enumerate(held))]


def storm(sites: int, upstream: str) -> list[Cast]:
    """Sites behind one upstream that lose their main line within two minutes, and get it back within two."""
    casts = []
    for number in range(sites):
        p = Play("storm", number, minutes=14, before=30, most=5)
        p.site = replace(p.site, upstream=upstream)
        p.meter = replace(p.meter, active_s=60)
        p.usual(0.03)
        begin, end = float(p.rng.uniform(0, 2)), float(p.rng.uniform(10, 12))
        p.scene.network.fail(0, p.at(begin), p.at(end), backup=1, gap_ms=3000)
        p.tell("on-backup", begin, end, BACKUP)
        casts.append(p.cast())
    return casts


PLAYED: dict[str, Callable[[Play], None]] = {}


def played(play: Callable[[Play], None]) -> Callable[[Play], None]:
    PLAYED[play.__name__.replace("_", "-")] = play
    return play


def cast(name: str, number: int) -> Cast:
    play = Play(name, number)
    PLAYED[name](play)
    return play.cast()


@played
def ordinary(p: Play) -> None:
    p.usual(float(p.rng.uniform(0.01, 0.2)))


@played
def failover(p: Play) -> None:
    p.usual()
    length = float(p.rng.uniform(6, 70))
    p.scene.network.fail(0, p.at(0), p.at(length), backup=1, gap_ms=float(p.rng.uniform(500, 15_000)))
    p.tell("on-backup", 0, length, BACKUP)
    p.tell("link-busy", 0, length, BACKUP, certain=False)
    p.tell("link-full", 0, length, BACKUP, certain=False)


@played
def flapping(p: Play) -> None:
    p.usual()
    for begin in range(0, 35, 7):
        p.scene.network.fail(0, p.at(begin), p.at(begin + 3), backup=1, gap_ms=2000)
        p.tell("on-backup", begin, begin + 3, BACKUP, certain=False)
    p.tell("flapping", 0, 31)


@played
def dead_backup(p: Play) -> None:
    p.usual(probes=False)
    do.keepalive(p.scene, 1, p.probe, p.begin, p.at(0))
    do.keepalive(p.scene, 1, p.probe, p.at(45), p.end)
    p.tell("keepalive-missing", 0, 45, BACKUP)


@played
def unanswered_backup(p: Play) -> None:
    p.usual(probes=False)
    do.keepalive(p.scene, 1, p.probe, p.begin, p.at(0))
    do.keepalive(p.scene, 1, p.probe, p.at(0), p.at(45), answered=False)
    do.keepalive(p.scene, 1, p.probe, p.at(45), p.end)
    p.tell("keepalive-unanswered", 0, 45, BACKUP)


@played
def leak(p: Play) -> None:
    p.usual()
    do.upload(p.scene, p.scene.hosts[2], p.at(0), 0.8 / 8 * 60 * 40, cap_mbps=0.8, link=1)
    p.tell("backup-leak", 0, 40, BACKUP)


def _full(p: Play, minutes: float, direction: str) -> None:
    p.usual(0.03)
    rate = p.up if direction == "up" else p.down
    move = do.upload if direction == "up" else do.download
    # More than fits, by all hosts, is cut off by nobody: so exactly what fits.
    p.moved = move(p.scene, p.scene.hosts[0], p.at(0), rate * 0.94 / 8 * 60 * minutes, connections=4)
    p.tell("link-full", 0, minutes, MAIN, direction)


@played
def full_up_short(p: Play) -> None:
    _full(p, 6, "up")


@played
def full_up(p: Play) -> None:
    _full(p, 20, "up")


@played
def full_down(p: Play) -> None:
    _full(p, 20, "down")


@played
def full_up_long(p: Play) -> None:
    _full(p, 90, "up")


@played
def at_the_threshold(p: Play) -> None:
    """An upload that is full in some minutes and not in others, for hours."""
    p.usual(0.02)
    for minute in range(150):
        share = float(p.rng.uniform(0.82, 0.93))
        do.upload(p.scene, p.scene.hosts[0], p.at(minute), p.up * share / 8 * 57, cap_mbps=p.up * share)
    p.tell("link-full", 0, 150, MAIN, "up", certain=False)
    p.tell("link-busy", 0, 150, MAIN, "up", certain=False)


@played
def below_plan(p: Play) -> None:
    """Of records that come less often than once a minute nobody can say what shared the line, and below-plan is not told."""
    p.meter = replace(p.meter, active_s=60)
    p.usual(0.03)
    level = p.down * 0.5
    p.scene.network.ceiling(0, 0, level, p.at(0), p.end)
    for begin in range(0, 60, 20):  # each time as much as the line gives until the next
        for number in range(6):
            host = p.scene.hosts[number % len(p.scene.hosts)]
            do.download(p.scene, host, p.at(begin), level / 8 * 60 * 20 * 0.98 / 6)
    p.tell("below-plan", 0, 60, MAIN, "down")


@played
def outage(p: Play) -> None:
    p.usual()
    for link in (0, 1):
        p.scene.network.fail(link, p.at(0), p.at(25))
    trouble.stranded(p.scene, p.at(0) + 1000, p.at(25) - 4000, 25)
    p.tell("outage", 0, 25)
    p.tell("keepalive-missing", 0, 25, BACKUP)


@played
def not_heard(p: Play) -> None:
    p.usual()
    p.exporting = replace(p.exporting, silent=((p.at(0), p.at(50)),))
    p.tell(NOT_HEARD, 0, 50)
    p.tell("export-gap", 0, 50, certain=False)


@played
def flood(p: Play) -> None:
    p.usual()
    trouble.flood(p.scene, p.scene.hosts[0], p.at(0), p.at(20), sources=3000, packets_per_s=4000)
    p.tell("inbound-flood", 0, 20, MAIN, "down")


@played
def scan(p: Play) -> None:
    p.usual()
    trouble.scan(p.scene, p.scene.hosts[1], p.at(0), p.at(30), 20_000)
    p.tell("outbound-scan", 0, 30)


@played
def late_records(p: Play) -> None:
    """What was sent in twenty minutes is held up on the way for half an hour, and comes after what was sent later."""
    _full(p, 20, "up")
    p.late = (p.at(-5), p.at(25), p.at(40))
    p.tell(NOT_HEARD, -5, 25, certain=False)
    p.tell("export-gap", -5, 40, certain=False)


@played
def very_late_records(p: Play) -> None:
    """The same for two hours: what was over by then is not told any more."""
    _full(p, 20, "up")
    p.truth[0] = replace(p.truth[0], certain=False)
    p.late = (p.at(-5), p.at(25), p.at(145))
    p.tell(NOT_HEARD, -5, 25, certain=False)
    p.tell("export-gap", -5, 145, certain=False)


@played
def restarted(p: Play) -> None:
    p.usual()
    p.restart = (p.at(0), p.at(2))
    p.tell("export-gap", 0, 2, certain=False)


@played
def lossy(p: Play) -> None:
    _full(p, 20, "up")
    p.exporting = replace(p.exporting, loss=0.02)


@played
def clock_off(p: Play) -> None:
    _full(p, 20, "up")
    p.exporting = replace(p.exporting, clock_offset_ms=int(p.choose((-240_000, 170_000, 420_000))))


@played
def sampled(p: Play) -> None:
    _full(p, 20, "down")
    p.meter = replace(p.meter, sampling=100)
    p.tell("keepalive-missing", -100, None, BACKUP, certain=False)  # one in a hundred is seen


@played
def two_routers(p: Play) -> None:
    failover(p)
    p.apart = True


@played
def nearly_nothing(p: Play) -> None:
    """A pump station: a reading now and then."""
    do.keepalive(p.scene, 1, p.probe, p.begin, p.end)
    do.dns(p.scene, p.begin, p.end, per_host_hour=1)


@played
def people_come(p: Play) -> None:
    """Nobody is there, then all come within minutes."""
    do.keepalive(p.scene, 1, p.probe, p.begin, p.end)
    do.dns(p.scene, p.begin, p.at(0), per_host_hour=3)
    do.office(p.scene, p.at(0), p.end, 0.15 * p.down)


@played
def people_go(p: Play) -> None:
    """One after the other within twenty minutes; the tunnel ends with the last of them."""
    do.keepalive(p.scene, 1, p.probe, p.begin, p.end)
    hosts = p.scene.hosts
    for number, host in enumerate(hosts):
        goes = p.at(20 * (number + 1) / len(hosts))
        do.web(p.scene, p.begin, goes, 0.1 * p.down / len(hosts), hosts=[host])
        do.dns(p.scene, p.begin, goes, hosts=[host])
    do.vpn(p.scene, hosts[0], p.begin, p.at(19))
    do.dns(p.scene, p.at(0), p.end, per_host_hour=2)
