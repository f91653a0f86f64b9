"""Nothing carried; and silence of the exporter, which is something else."""

from __future__ import annotations

from msgspec.structs import replace

from flowdiag.scenario import activities as do
from flowdiag.scenario import trouble
from flowdiag.scenario.scene import MINUTE
from tests.scenarios.stage import Stage, situation


def dark(s: Stage, begin: float, end: float) -> tuple[int, int]:
    """All links down from begin to end (minutes); hosts keep trying, the LAN keeps working."""
    from_ms, to_ms = s.at(begin), s.at(end)
    for link in range(len(s.the_site.links)):
        s.scene.network.fail(link, from_ms, to_ms)
    trouble.stranded(s.scene, from_ms + 1000, to_ms - 4000, 25)
    do.local_copy(s.scene, s.scene.hosts[0], s.scene.hosts[1], s.start, s.end, 0.5)
    return from_ms, to_ms


@situation
def both_links_are_down(s: Stage) -> None:
    s.router(template_interval_s=60)
    s.site(backup=True)
    s.open(110, background=0.05)
    begin, end = dark(s, 40, s.uniform(55, 70))
    s.look(30, 90)
    s.want("outage", severity="critical", start=begin, end=end)
    s.allow("keepalive-missing", "unanswered-connections")
    s.forbid("on-backup", "flapping")
    s.verdict("outage")


@situation
def the_only_link_is_down(s: Stage) -> None:
    s.router(template_interval_s=60)
    s.site(hours="Mon-Fri 08:00-18:00")
    s.open(110, background=0.05)
    begin, end = dark(s, 35, s.uniform(50, 80))
    s.look(20, 95)
    s.want("outage", severity="critical", start=begin, end=end)
    s.allow("unanswered-connections")
    s.verdict("outage")


@situation
def down_and_only_the_router_speaks(s: Stage) -> None:
    """No host tries anything that the router meters: only its template messages show that it lives."""
    s.router(template_interval_s=60, protocol=s.choose(("ipfix", "netflow9")))
    s.container = "pcap"
    s.site()
    scene = s.open(110, background=0.05)
    begin, end = s.at(40), s.at(60)
    scene.network.fail(0, begin, end)
    s.look(30, 90)
    s.want("outage", severity="critical", start=begin, end=end)
    s.allow("unanswered-connections")
    s.verdict("outage")


@situation
def the_exporter_was_silent(s: Stage) -> None:
    s.site(backup=bool(s.rng.random() < 0.5))
    s.open(120, background=0.05)
    s.router(active_s=60, silent=((s.at(50), s.at(65)),), silent_counted=s.choose((True, False)))
    s.look(20, 110)
    s.want("export-gap", severity="warning")
    s.forbid("outage", "on-backup", "keepalive-missing", "flapping")


@situation
def the_exporter_was_silent_for_most_of_the_window(s: Stage) -> None:
    s.site()
    s.open(150, background=0.05)
    s.router(active_s=60, silent=((s.at(40), s.at(105)),), silent_counted=s.choose((True, False)))
    s.look(35, 110)
    s.want("export-gap", severity="warning")
    s.forbid("outage", "on-backup")
    s.verdict("cannot-tell")


@situation
def the_window_lies_outside_the_export(s: Stage) -> None:
    s.site()
    s.open(60)
    s.window = (s.end + 180 * MINUTE, s.end + 240 * MINUTE)
    s.automatic = False
    s.allow("export-gap")
    s.forbid("outage", "link-full", "link-busy")
    s.verdict("cannot-tell")


@situation
def the_export_covers_a_part_of_the_window(s: Stage) -> None:
    """Full in the part that is there: that explains the complaint, whatever the rest was."""
    s.site()
    scene = s.open(60)
    do.upload(scene, scene.hosts[0], s.at(15), s.up_megabytes(25))
    s.window = (s.at(10) // MINUTE * MINUTE, s.end // MINUTE * MINUTE + 60 * MINUTE)
    s.want("export-gap", severity="warning")
    s.forbid("outage")
    s.verdict("link-full")


@situation
def several_links_without_interface_numbers(s: Stage) -> None:
    s.router(interfaces=False)
    s.site(backup=True)
    s.open(80)
    s.automatic = False
    s.look(10, 70)
    s.forbid("on-backup", "keepalive-missing", "outage", "backup-leak")
    s.verdict("cannot-tell")


@situation
def one_link_without_interface_numbers(s: Stage) -> None:
    s.router(interfaces=False, both_points=False)
    s.site()
    scene = s.open(80)
    do.upload(scene, scene.hosts[0], s.at(15), s.up_megabytes(25))
    s.look(10, 70)
    s.verdict("link-full")


@situation
def a_tenth_of_the_datagrams_is_lost(s: Stage) -> None:
    s.site()
    s.open(90)
    s.router(loss=0.12)
    s.look(10, 80)
    s.automatic = False
    s.want("export-gap", severity="warning")
    s.forbid("outage", "link-full", "below-plan")


@situation
def one_datagram_in_a_hundred_is_lost(s: Stage) -> None:
    s.site()
    s.open(90)
    s.router(loss=0.015)
    s.look(10, 80)
    s.want("export-gap", severity="info")
    s.healthy = True


@situation
def full_though_datagrams_are_lost(s: Stage) -> None:
    s.router(active_s=60)
    s.site()
    scene = s.open(90)
    do.upload(scene, scene.hosts[0], s.at(20), s.up_megabytes(30), connections=12)
    s.router(loss=0.02)
    s.look(15, 70)
    s.automatic = False
    s.allow("export-gap", "link-busy")
    s.want("link-full", severity="critical", link="fibre", direction="up")
    s.verdict("link-full")


@situation
def weekend_with_the_line_unplugged(s: Stage) -> None:
    """Nobody is at work: nothing carried is no outage that anyone could complain of."""
    s.router(template_interval_s=60)
    s.site(hours="Mon-Fri 08:00-18:00")
    scene = s.open(300, at=(10, 0), day=(2026, 5, 16), background=0)  # a Saturday
    do.dns(scene, s.start, s.at(100), per_host_hour=2)
    do.dns(scene, s.at(200), s.end, per_host_hour=2)
    s.audit()
    s.automatic = False
    s.forbid("outage")


@situation
def a_foreign_router_in_the_capture(s: Stage) -> None:
    """Another exporter's full link is in the same capture; the profile says whose records count."""
    s.router(protocol="ipfix")
    s.container = "pcap"
    s.site()
    s.the_site = replace(s.the_site, declared_exporters=(s.the_site.exporter,))
    s.open(60)
    s.healthy = True
    s.foreign = True
