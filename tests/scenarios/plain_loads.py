"""Full, busy and healthy lines, with the simplest traffic (see plain_traffic.py)."""

from __future__ import annotations

from typing import Any

from flowdiag.scenario import activities as do
from flowdiag.scenario.scene import MINUTE
from tests.scenarios.plain_traffic import ROOMY, flow, plan
from tests.scenarios.stage import Stage, situation


@situation
def one_steady_upload_in_long_records(s: Stage) -> None:
    s.router(
        protocol="netflow5", active_s=1800, both_points=False, direction_field=False, application_field=False
    )
    s.site(plans=ROOMY, v6=False)
    scene = s.open(110, background=0.02)
    flow(s, scene.hosts[0], 20, 20 + s.uniform(15, 50), up=plan(s)[1] * 0.965)
    s.look(15, 60)
    s.verdict("link-full")


@situation
def equal_steady_downloads_fill_the_link(s: Stage) -> None:
    s.site(plans=ROOMY)
    scene = s.open(80, hosts=14, background=0.01)
    for host in scene.hosts[:10]:
        flow(s, host, 20, 45, down=plan(s)[0] * 0.096)
    s.look(15, 60)
    s.forbid("below-plan")
    s.verdict("link-full")


@situation
def one_packet_in_a_thousand_and_full(s: Stage) -> None:
    s.router(sampling=s.choose((512, 1000)))
    s.site(plans=((100, 40), (300, 100), (500, 500)))
    scene = s.open(90, background=0.02)
    flow(s, scene.hosts[0], 20, 50, up=plan(s)[1] * 0.965)
    s.look(15, 60)
    s.extra_tolerance = 2 * MINUTE
    s.verdict("link-full")


@situation
def one_packet_in_a_thousand_and_busy(s: Stage) -> None:
    s.router(sampling=s.choose((512, 1000)))
    s.site(plans=((300, 100), (500, 500)))
    scene = s.open(100, background=0.02)
    flow(s, scene.hosts[0], 20, 65, down=plan(s)[0] * 0.77)
    s.look(15, 70)
    s.extra_tolerance = 3 * MINUTE
    s.forbid("link-full")
    s.verdict("link-busy")


@situation
def one_packet_in_a_thousand_and_healthy(s: Stage) -> None:
    s.router(sampling=s.choose((512, 1000)))
    s.site(plans=ROOMY, backup=bool(s.rng.random() < 0.5), keepalives=())
    scene = s.open(90, hosts=20)
    flow(s, scene.hosts[0], 20, 60, down=plan(s)[0] * 0.4)
    s.look(10, 80)
    s.healthy = True
    s.forbid("unanswered-connections", "outage", "export-gap", "outbound-scan", "below-plan")


def _a_day(s: Stage, **site: Any) -> None:
    s.router(active_s=s.choose((60, 300)))
    s.site(plans=ROOMY, hours="Mon-Fri 08:00-18:00", **site)
    s.open(24 * 60, at=(0, 0), hosts=10, background=0, step_ms=5000)
    for hour in range(24):
        share = 0.05 if 8 <= hour < 18 else 0.001
        per_hour = 60 if share > 0.01 else 6
        do.web(s.scene, s.at(60 * hour), s.at(60 * hour + 60), share * plan(s)[0], per_host_hour=per_hour)
    begin = 60 * s.uniform(1, 3)
    flow(s, s.scene.hosts[0], begin, begin + 110, up=plan(s)[1] * 0.96)


@situation
def a_backup_at_night_and_a_complaint_by_day(s: Stage) -> None:
    _a_day(s)
    s.look(14 * 60, 15 * 60)
    s.verdict("not-the-link")


@situation
def a_backup_at_night_in_an_audit(s: Stage) -> None:
    _a_day(s)
    s.audit()
    s.verdict("link-full")


@situation
def a_call_on_a_full_download(s: Stage) -> None:
    s.site(plans=ROOMY)
    scene = s.open(80)
    flow(s, scene.hosts[0], 20, 45, down=plan(s)[0] * 0.96)
    do.call(scene, scene.hosts[1], s.at(25), s.at(40))
    s.look(15, 60)
    s.want("realtime-contention", severity="warning", link="fibre", direction="down")
    s.verdict("link-full")


@situation
def a_call_on_a_busy_link(s: Stage) -> None:
    s.site(plans=ROOMY)
    scene = s.open(80, background=0.01)
    flow(s, scene.hosts[0], 20, 45, down=plan(s)[0] * 0.79)
    do.call(scene, scene.hosts[1], s.at(25), s.at(40))
    s.look(15, 60)
    s.forbid("realtime-contention", "link-full", "below-plan")
    s.verdict("link-busy")


@situation
def a_call_while_something_else_is_full(s: Stage) -> None:
    """The upload is full in the morning of the export, the call is later."""
    s.site(plans=ROOMY)
    scene = s.open(120)
    flow(s, scene.hosts[0], 10, 40, up=plan(s)[1] * 0.96)
    do.video_call(scene, scene.hosts[1], s.at(60), s.at(100), mbps=1.0)
    s.look(5, 110)
    s.forbid("realtime-contention")
    s.verdict("link-full")
