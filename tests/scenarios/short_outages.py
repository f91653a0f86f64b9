"""No link for seconds or a few minutes while hosts go on trying; and silences that are none."""

from __future__ import annotations

from flowdiag.scenario import activities as do
from flowdiag.scenario import trouble
from flowdiag.scenario.ledger import STEADY
from tests.scenarios.short_windows import MODEST
from tests.scenarios.stage import Stage, situation

ATTEMPTS_A_MINUTE = 40  # a site at work; each is three SYNs
LEAST_ATTEMPTS = 40  # in an outage of seconds too
EDGE_MS = 30_000  # of an outage: records of up to 20 s around it, and bins of ten seconds


def bustling(s: Stage, minutes: float, backup: bool | None = None) -> None:
    """A site at work with something on the line all the time, so that a silence is one."""
    s.automatic = False
    s.router(active_s=s.choose((5, 10, 20)), idle_s=s.choose((5, 10, 15)), template_interval_s=60)
    s.site(plans=MODEST, backup=bool(s.rng.random() < 0.5) if backup is None else backup)
    scene = s.open(minutes, hosts=int(s.rng.integers(12, 36)), background=0.04)
    for host in scene.hosts[:4]:
        do.streaming(scene, host, s.start, s.end, s.the_site.links[0].down_mbps * 0.02)


def cut_off(s: Stage, from_s: float, to_s: float) -> tuple[int, int]:
    """No link works from from_s to to_s after the start; hosts try, and the router meters that."""
    begin, end = s.at(from_s / 60), s.at(to_s / 60)
    for link in range(len(s.the_site.links)):
        s.scene.network.fail(link, begin, end)
    per_minute = max(ATTEMPTS_A_MINUTE, LEAST_ATTEMPTS * 60 / (to_s - from_s))
    trouble.stranded(s.scene, begin + 500, end - 3500, per_minute)
    s.allow("keepalive-missing", "unanswered-connections", "export-gap")
    s.forbid("on-backup", "flapping", "link-full", "link-busy", "below-plan")
    s.tolerance = EDGE_MS
    return begin, end


@situation
def cut_off_for_most_of_two_minutes(s: Stage) -> None:
    bustling(s, s.uniform(118, 130) / 60)
    begin, end = cut_off(s, 10, 110)
    s.want("outage", severity="any", start=begin, end=end)
    s.verdict("outage")


@situation
def cut_off_for_a_minute_or_two(s: Stage) -> None:
    bustling(s, 60)
    at = s.uniform(1200, 1800)
    begin, end = cut_off(s, at, at + s.uniform(75, 175))
    if s.rng.random() < 0.7:
        s.look(15, 50)
    s.want("outage", severity="any", start=begin, end=end)
    s.verdict("outage")


@situation
def cut_off_for_half_of_a_short_complaint(s: Stage) -> None:
    bustling(s, 45)
    at, length = s.uniform(900, 1500), s.uniform(75, 175)
    begin, end = cut_off(s, at, at + length)
    s.look_seconds(at - length * s.uniform(0.2, 0.45), at + length * s.uniform(1.1, 1.4))
    s.want("outage", severity="any", start=begin, end=end)
    s.verdict("outage")


@situation
def cut_off_for_half_a_minute(s: Stage) -> None:
    """Told, and whether it is the verdict or a reason against an all-clear is left open."""
    bustling(s, 60)
    at = s.uniform(1200, 1800)
    begin, end = cut_off(s, at, at + s.uniform(28, 55))
    s.look(15, 50)
    s.want("outage", severity="any", start=begin, end=end)
    s.verdict("outage", "not-the-link")
    s.never_high = True


def silent(s: Stage, from_s: float, to_s: float) -> tuple[int, int]:
    """No link works from from_s to to_s after the start, and the router meters nobody's attempts."""
    for host in s.scene.hosts[-4:]:  # begun at different times, so that their records end at different times
        do.streaming(s.scene, host, s.at(s.uniform(0.5, 4)), s.end, s.the_site.links[0].down_mbps * 0.005)
    begin, end = s.at(from_s / 60), s.at(to_s / 60)
    for link in range(len(s.the_site.links)):
        s.scene.network.fail(link, begin, end)
    s.allow("keepalive-missing", "export-gap")
    s.forbid("on-backup", "flapping", "link-full", "link-busy", "below-plan", "unanswered-connections")
    s.hushes("wi-fi")
    s.tolerance, s.never_high = EDGE_MS, True
    return begin, end


@situation
def a_silent_outage_of_a_minute_or_two(s: Stage) -> None:
    """The routers of many sites meter at the line, and so nobody's attempts; tunnels and sessions stop and go on."""
    bustling(s, 60)
    s.router(active_s=s.choose((20, 60)))
    at = s.uniform(1200, 1800)
    begin, end = silent(s, at, at + s.uniform(65, 170))
    s.look(15, 50)
    s.want("outage", severity="critical", start=begin, end=end)
    s.verdict("outage")


@situation
def a_silent_outage_of_half_a_minute(s: Stage) -> None:
    bustling(s, 60)
    s.router(active_s=s.choose((20, 60)))
    at = s.uniform(1200, 1800)
    begin, end = silent(s, at, at + s.uniform(28, 55))
    s.look(15, 50)
    s.want("outage", severity="any", start=begin, end=end)
    s.says("nothing came in")


@situation
def a_silent_outage_behind_records_that_outlast_it(s: Stage) -> None:
    """With a long idle timeout the records of conversations that went on cover the silence; new ones are missing in it."""
    s.automatic = False
    s.router(active_s=60, idle_s=60, template_interval_s=60, both_points=False)
    s.site(plans=MODEST, backup=False)
    scene = s.open(60, hosts=int(s.rng.integers(24, 48)), background=0.04)
    for at in range(0, 60, 3):
        do.download(scene, scene.hosts[0], s.at(at), 40, cap_mbps=1.5)
    at = s.uniform(1200, 1800)
    silent(s, at, at + s.uniform(32, 52))
    s.allow("outage")
    s.look(15, 50)
    s.says("nothing came in")


@situation
def silent_for_minutes_near_the_end_of_a_short_export(s: Stage) -> None:
    """Too little is left after it to say that traffic flowed as before."""
    bustling(s, 15)
    s.router(active_s=20)
    at = s.uniform(420, 500)
    begin, end = silent(s, at, at + s.uniform(190, 260))
    s.want("outage", severity="critical", start=begin, end=end)
    s.verdict("outage")


@situation
def one_computer_sleeps_in_a_quiet_house(s: Stage) -> None:
    """Near miss: two sessions of one device stop together and go on together, and nobody else was there."""
    s.automatic = False
    s.router(active_s=s.choose((20, 60)), template_interval_s=60)
    s.site(plans=MODEST, backup=False, v6=False)
    scene = s.open(60, hosts=1, background=0)
    asleep, awake = s.at(25), s.at(25 + s.uniform(1, 2.8))
    for port in (4500, 3389):
        session = {"inside": scene.hosts[0], "outside": scene.servers(1)[0], "inside_port": scene.ports(1)[0]}
        for begin, end in ((s.start + 7 * port, asleep), (awake, s.end)):
            octets = 20 * (end - begin)
            scene.ledger.add(
                start=begin, end=end, outside_port=port, protocol=do.UDP, kind=STEADY, down_octets=octets, up_octets=octets,
                down_packets=octets / 600, up_packets=octets / 600, **session,
            )  # fmt: skip
    s.look(10, 50)
    s.complete = False  # nothing came in for minutes
    s.forbid("outage", "unanswered-connections", "on-backup")


@situation
def thin_traffic_with_natural_silences(s: Stage) -> None:
    """Near miss: nobody tries anything for minutes, because there is nothing to do."""
    s.router(active_s=s.choose((5, 10, 20)), template_interval_s=60)
    s.site(plans=MODEST, hours=s.choose((None, "Mon-Fri 08:00-18:00")))
    scene = s.open(60, hosts=2, background=0)
    do.dns(scene, s.start, s.end, per_host_hour=25)
    do.web(scene, s.start, s.end, 0.05, per_host_hour=12)
    s.look(10, 50)
    s.healthy = True
    s.forbid("outage", "unanswered-connections", "on-backup")


@situation
def a_pause_of_a_minute_at_a_busy_site(s: Stage) -> None:
    """Near miss: the traffic pauses for a minute and nobody tries anything in vain."""
    s.router(active_s=s.choose((5, 10, 20)), template_interval_s=60)
    s.site(plans=MODEST)
    scene = s.open(60, hosts=6, background=0)
    pause, over = s.at(25), s.at(25 + s.uniform(45, 80) / 60)
    plan = s.the_site.links[0].down_mbps
    for begin, end in ((s.start, pause - 20_000), (over, s.end)):
        do.web(scene, begin, end, plan * 0.02, per_host_hour=60)
        do.dns(scene, begin, end, per_host_hour=60)
    s.look(10, 50)
    s.forbid("outage", "unanswered-connections", "on-backup", "link-full")


@situation
def a_dead_server_in_a_quiet_minute(s: Stage) -> None:
    """Near miss: a few attempts in vain at one dead place, at all times, in a site with pauses."""
    s.router(active_s=s.choose((5, 10, 20)), template_interval_s=60)
    s.site(plans=MODEST)
    scene = s.open(60, hosts=3, background=0)
    do.dns(scene, s.start, s.end, per_host_hour=30)
    do.web(scene, s.start, s.end, 0.1, per_host_hour=15)
    trouble.unanswered(scene, scene.hosts[:1], s.start, s.end, 25, server="203.0.113.201", port=8883)
    s.look(10, 50)
    s.allow("unanswered-connections")
    s.forbid("outage", "on-backup")
    s.verdict("not-the-link", "unanswered-connections")


@situation
def a_short_silence_of_the_exporter(s: Stage) -> None:
    """Near miss: the exporter said nothing for a minute or two, the lines went on."""
    bustling(s, 60)
    at = s.uniform(1500, 1800)
    silent = (s.at(at / 60), s.at((at + s.uniform(60, 150)) / 60))
    s.router(silent=(silent,), silent_counted=s.choose((True, False)))
    s.look(15, 50)
    s.allow("export-gap")
    s.forbid("outage", "on-backup", "flapping", "keepalive-missing")
