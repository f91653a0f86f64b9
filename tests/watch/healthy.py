"""Healthy sites over weeks: lines, routers, people and machines of many kinds, at none of which anything goes wrong.

Sizes and habits are invented (no source). What a site uses stays clear of the busy threshold: a draw in which chance brought more
is drawn again with less.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np

from flowdiag.scenario import activities as do
from flowdiag.scenario import trouble
from flowdiag.scenario.exporting import Exporting
from flowdiag.scenario.metering import Meter
from flowdiag.scenario.network import OCTETS_PER_MBPS_MS
from flowdiag.scenario.scene import HOUR, MINUTE, Scene
from flowdiag.scenario.site import Site, SiteKeepalive, SiteLink, profile_toml
from flowdiag.scenario.write import Situation, enact, export_messages, generator
from flowdiag.site.reading import profile_from_text
from tests.watch.casts import Cast
from tests.watch.player import arriving

FIRST: Final = date(
    2026, 3, 7
)  # the month after it has the nights in which clocks change, in both halves of the year
STEP_MS: Final = 5000
MOST_USED: Final = 0.64  # of the plan, in any minute out of three that follow each other
PLANS: Final = ((8, 2), (20, 5), (50, 10), (100, 20), (100, 40), (250, 50), (500, 100), (1000, 500))
ZONES: Final = (
    "Pacific/Auckland", "Europe/Berlin", "America/New_York", "Asia/Kolkata", "Australia/Sydney", "America/Sao_Paulo",
    "UTC", "Pacific/Chatham",
)  # fmt: skip
KINDS: Final = ("office", "office", "office", "shop", "pump", "school", "large")


class Habits:
    """What is drawn of one site."""

    def __init__(self, number: int, seed: int) -> None:
        self.rng = generator(seed * 1_000_003 + number)
        self.kind = KINDS[number % len(KINDS)]
        self.zone = ZoneInfo(ZONES[number % len(ZONES)])
        down, up = PLANS[-2:][number % 2] if self.kind == "large" else self.choose(PLANS[:6])
        backed = self.rng.random() < 0.8
        self.probe = SiteKeepalive("198.51.100.1", interval_s=self.choose((10, 30, 60, 300)))
        exporter = f"10.79.{number // 200}.{1 + number % 200}"
        links = [SiteLink("main line", down, up, (2,), framing=self.choose(("ethernet", "pppoe")))]
        if backed:
            links.append(
                SiteLink(
                    "cellular", 30, 6, (3,), role="backup", variable=True, allowance_gb=20, keepalives=(self.probe,)
                )
            )  # fmt: skip
        self.site = Site(
            name=f"{self.kind} {number}",
            timezone=str(self.zone),
            exporter=exporter,
            declared_exporters=(exporter,),
            hours=self.choose((None, "Mon-Fri 08:00-18:00")) if self.kind != "shop" else None,
            links=tuple(links),
        )
        protocol, times = self.choose(
            (("ipfix", "milliseconds"), ("ipfix", "seconds"), ("netflow9", "uptime"), ("netflow9", "uptime"),
             ("netflow5", "uptime"))
        )  # fmt: skip
        self.meter = Meter(
            active_s=int(self.choose((60, 60, 60, 120, 300))),
            flush=False,
            both_points=bool(self.rng.random() < 0.15) and protocol != "netflow5",
        )
        self.exporting = Exporting(
            protocol=protocol,
            times=times,
            template_interval_s=int(self.choose((60, 300, 600, 1800))),
            uptime_ms=int(self.rng.integers(10**6, 4 * 10**9)),
            direction_field=self.meter.both_points,
            clock_offset_ms=int(self.choose((0, 0, 0, -150_000, 200_000))),
            loss=float(self.choose((0.0, 0.0, 0.002))),
        )
        self.hosts = int(self.rng.integers(2, 14)) if self.kind != "pump" else 2
        self.level = float(self.rng.uniform(0.01, 0.16))

    def choose(self, options: Sequence[Any]) -> Any:
        return options[int(self.rng.integers(len(options)))]


def healthy(number: int, days: int, seed: int = 1) -> Cast:
    """A healthy site over so many of its local days."""
    habits = Habits(number, seed)
    while True:
        situation = _weeks(habits, days)
        if _most_used(situation) <= MOST_USED:
            break
        habits.level *= 0.6
    messages = export_messages(situation, habits.exporting)
    return Cast(
        habits.site.name,
        profile_from_text(profile_toml(habits.site), f"{habits.site.name}.toml"),
        (arriving(habits.site.exporter, messages),),
        (),
        habits.meter.active_s * 1000,
        situation.start_ms,
        situation.end_ms,
    )


def _weeks(habits: Habits, days: int) -> Situation:
    begin, end = (_ms(habits, FIRST + timedelta(days=day), 0) for day in (0, days))
    scene = Scene(habits.site, begin, end, habits.rng, hosts=habits.hosts, step_ms=STEP_MS)
    if len(habits.site.links) > 1:
        do.keepalive(scene, 1, habits.probe, begin, end)
    patches = int(habits.rng.integers(days))
    talks = int(habits.rng.integers(days))
    for day in range(days):
        here = FIRST + timedelta(days=day)
        _night(habits, scene, here)
        if habits.kind == "pump":
            do.dns(scene, _ms(habits, here, 0), _ms(habits, here, 24), per_host_hour=habits.level * 20)
            continue
        if habits.kind == "shop" or here.weekday() < 5:
            _working_day(habits, scene, here, many_talks=day == talks)
        if day == patches:
            _patches(habits, scene, here)
    return enact(scene, habits.meter)


def _night(habits: Habits, scene: Scene, here: date) -> None:
    """What machines do by themselves: next to nothing at many sites, a backup at some."""
    if habits.exporting.protocol != "netflow5" or habits.hosts > 4:
        do.dns(scene, _ms(habits, here, 0), _ms(habits, here, 24), per_host_hour=1 + habits.hosts / 8)
    if habits.kind in ("office", "large", "school") and habits.hosts > 5:
        rate = habits.site.links[0].up_mbps * float(habits.rng.uniform(0.3, 0.55))
        jobs = 3 if habits.kind == "large" else 1
        for job in range(jobs):
            megabytes = min(rate / jobs / 8 * 60 * float(habits.rng.uniform(20, 120)), 200_000)
            begin = _ms(habits, here, 21.5 + job / 10)
            host = scene.hosts[job % len(scene.hosts)]
            do.upload(scene, host, begin, megabytes, cap_mbps=rate / jobs, connections=2)


def _working_day(habits: Habits, scene: Scene, here: date, *, many_talks: bool) -> None:
    down, up = habits.site.links[0].down_mbps, habits.site.links[0].up_mbps
    opens, closes = (9.0, 21.0) if habits.kind == "shop" else (7.8, 17.6)
    for begin, end in _hours(opens + float(habits.rng.normal(0, 0.2)), closes):
        share = habits.level * float(habits.rng.lognormal(0, 0.25)) * (0.5 if 12 <= begin < 13 else 1.0)
        start, stop = _ms(habits, here, begin), _ms(habits, here, end)
        do.web(scene, start, stop, share * down, per_host_hour=40)
        do.dns(scene, start, stop, per_host_hour=15)
        do.mail(scene, start, stop, 1 + habits.hosts // 3)
        if habits.rng.random() < 0.1:
            trouble.unanswered(scene, scene.hosts[:1], start, stop, 8, server="203.0.113.200", port=8883)
    calls = min(int(up * 0.5 / 1.6), 6 if many_talks else 1)
    for number in range(calls):
        at = float(habits.rng.uniform(9.5, 11.5)) if many_talks else float(habits.rng.uniform(9, 16))
        start = _ms(habits, here, at)
        do.video_call(scene, scene.hosts[number % habits.hosts], start, start + 35 * MINUTE, mbps=1.3)
    if habits.rng.random() < 0.5:
        noon = _ms(habits, here, 12.2)
        do.streaming(scene, scene.hosts[-1], noon, noon + 40 * MINUTE, min(5.0, down * 0.15))


def _patches(habits: Habits, scene: Scene, here: date) -> None:
    """All machines fetch the month's updates, from many places and at a rate that leaves room."""
    rate = habits.site.links[0].down_mbps * 0.45
    begin = _ms(habits, here, 19)
    for host in scene.hosts[:3]:
        trouble.content_network(scene, host, begin, 60, rate / 3 / 8 * 60 * 25, rate / 3)


def _hours(opens: float, closes: float) -> Iterator[tuple[float, float]]:
    begin = opens
    while begin < closes:
        yield begin, min(begin + 1, closes)
        begin += 1


def _ms(habits: Habits, here: date, hour: float) -> int:
    midnight = datetime(here.year, here.month, here.day, tzinfo=habits.zone)
    return int(midnight.astimezone(UTC).timestamp() * 1000) + round(hour * HOUR)


def _most_used(situation: Situation) -> float:
    """The highest use that lasts for three minutes, of any link and direction, as a part of its plan."""
    a_minute = MINUTE // STEP_MS
    most = 0.0
    for link, plan in enumerate(situation.site.links):
        for direction in (0, 1):
            wire = situation.carried.wire[link, direction]
            minutes = wire[: len(wire) // a_minute * a_minute].reshape(-1, a_minute).sum(axis=1)
            used = minutes / (plan.capacity_mbps(direction) * OCTETS_PER_MBPS_MS * MINUTE)
            lasting = np.minimum(np.minimum(used[:-2], used[1:-1]), used[2:])
            most = max(most, float(lasting.max(initial=0.0)))
    return most
