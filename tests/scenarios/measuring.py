"""How the router looks at things: sampling, clocks, time zones, several days, thin exports."""

from __future__ import annotations

from msgspec.structs import replace

from flowdiag.scenario import activities as do
from flowdiag.scenario.scene import DAY, HOUR
from tests.scenarios.stage import Stage, situation


@situation
def sampled_and_full(s: Stage) -> None:
    s.router(sampling=s.choose((10, 64, 100)))
    s.site(plans=((250, 25), (300, 100), (500, 500)))
    scene = s.open(80)
    do.download(scene, scene.hosts[0], s.at(20), s.down_megabytes(25), connections=4)
    s.look(15, 60)
    s.verdict("link-full")


@situation
def sampled_and_healthy(s: Stage) -> None:
    s.router(sampling=s.choose((10, 64, 100)))
    s.site(plans=((250, 25), (300, 100), (500, 500)))
    s.open(80, hosts=25)
    s.look(10, 70)
    s.healthy = True
    s.forbid("unanswered-connections", "below-plan", "export-gap", "outbound-scan")


@situation
def the_router_clock_is_wrong(s: Stage) -> None:
    s.router(clock_offset_ms=s.choose((37_000, -95_000, 3_600_000, -7_200_000)))
    s.container = "pcap"
    s.site()
    scene = s.open(90)
    do.upload(scene, scene.hosts[0], s.at(30), s.up_megabytes(20))
    s.look(20, 70)
    s.note = "clock"
    s.verdict("link-full")


@situation
def the_hour_that_is_there_twice(s: Stage) -> None:
    """Across the end of daylight saving time."""
    s.site((50, 10))
    s.the_site = replace(s.the_site, timezone="Europe/Berlin")
    scene = s.open(240, at=(0, 30), day=(2026, 10, 25))
    do.upload(scene, scene.hosts[0], s.at(100), s.up_megabytes(40))
    s.look(90, 170)
    s.verdict("link-full")


@situation
def the_hour_that_is_missing(s: Stage) -> None:
    """Across the start of daylight saving time."""
    s.site((50, 10))
    s.the_site = replace(s.the_site, timezone="America/New_York")
    s.open(240, at=(0, 30), day=(2026, 3, 8))
    s.look(30, 200)
    s.healthy = True
    s.forbid("outage", "export-gap")


@situation
def nine_days_and_one_bad_afternoon(s: Stage) -> None:
    s.router(active_s=300)
    s.site((50, 10))
    scene = s.open(9 * 24 * 60, at=(0, 0), hosts=6, background=0, step_ms=20_000)
    for hour in range(9 * 24):
        at_work = 8 <= hour % 24 < 18
        start = s.start + hour * HOUR
        do.web(scene, start, start + HOUR, 1.5 if at_work else 0.05, per_host_hour=25 if at_work else 4)
    do.upload(scene, scene.hosts[0], s.start + 8 * DAY + 14 * HOUR, s.up_megabytes(35))
    s.window = (s.start + 8 * DAY + 14 * HOUR, s.start + 8 * DAY + 15 * HOUR)
    s.extra_tolerance = 60_000
    s.verdict("link-full")


@situation
def flows_still_open_at_the_end(s: Stage) -> None:
    """What had not been reported when the capture ended is missing; the window ends well before."""
    s.router(active_s=s.choose((60, 300)), flush=False)
    s.site()
    scene = s.open(90)
    do.upload(scene, scene.hosts[0], s.at(20), s.up_megabytes(50))
    s.look(25, 60)
    s.automatic = False
    s.want("link-full", severity="critical", link="fibre", direction="up")
    s.allow("link-busy", "export-gap")
    s.verdict("link-full")


@situation
def netflow5_and_full(s: Stage) -> None:
    s.router(protocol="netflow5", both_points=False, direction_field=False, application_field=False)
    s.site(v6=False)
    scene = s.open(80)
    do.upload(scene, scene.hosts[0], s.at(20), s.up_megabytes(20))
    s.look(15, 60)
    s.verdict("link-full")


@situation
def netflow5_sampled(s: Stage) -> None:
    s.router(
        protocol="netflow5", both_points=False, direction_field=False, application_field=False, sampling=50
    )
    s.site(plans=((250, 25), (300, 100)), v6=False)
    scene = s.open(80)
    do.download(scene, scene.hosts[0], s.at(20), s.down_megabytes(20), connections=3)
    s.look(15, 60)
    s.verdict("link-full")


@situation
def bare_records(s: Stage) -> None:
    """No end reason, no direction, no names, no applications."""
    s.router(
        reason_field=False, direction_field=False, both_points=False, names=False, application_field=False
    )
    s.site(backup=True)
    scene = s.open(90)
    do.download(scene, scene.hosts[0], s.at(20), s.down_megabytes(25))
    s.look(15, 60)
    s.verdict("link-full")


@situation
def two_interfaces_are_one_link(s: Stage) -> None:
    """The first interface carries half an upload, the second the other half."""
    s.site((100, 20), interfaces=(5, 6))
    scene = s.open(80)
    do.upload(scene, scene.hosts[0], s.at(20), s.up_megabytes(20), connections=2)
    s.split_interfaces = True
    s.look(15, 60)
    s.verdict("link-full")
