"""What the client must be told, and must not, beside the verdict itself."""

from __future__ import annotations

from msgspec.structs import replace

from flowdiag.scenario import activities as do
from flowdiag.scenario.site import SiteKeepalive
from tests.scenarios.stage import Stage, situation

ROOMY = ((50, 10), (100, 20), (100, 40), (250, 25))
WIRELESS = ("wi-fi", "wifi", "wireless")


@situation
def two_full_times_are_both_told(s: Stage) -> None:
    s.router(active_s=60)
    s.site(plans=ROOMY)
    scene = s.open(90)
    first, second = s.uniform(14, 22), s.uniform(48, 58)
    for begin in (first, second):
        do.upload(scene, s.choose(scene.hosts), s.at(begin), s.up_megabytes(s.uniform(7, 11)), connections=4)
    s.look(8, 82)
    s.verdict("link-full")
    s.tells(s.at(first), s.at(second))


@situation
def one_full_time_and_one_before_the_complaint(s: Stage) -> None:
    """Near miss: only the one asked about is told."""
    s.router(active_s=60)
    s.site(plans=ROOMY)
    scene = s.open(120)
    do.upload(scene, scene.hosts[1], s.at(12), s.up_megabytes(8), connections=4)
    second = s.uniform(62, 75)
    do.upload(scene, scene.hosts[0], s.at(second), s.up_megabytes(s.uniform(8, 12)), connections=4)
    s.look(50, 110)
    s.verdict("link-full")
    s.tells(s.at(second))


@situation
def a_named_device_fills_the_upload(s: Stage) -> None:
    s.site(plans=ROOMY)
    scene = s.open(80)
    host = s.choose(scene.hosts)
    s.the_site = replace(s.the_site, labels=((f"{s.address(host)}/32", "imaging archive"),))
    s.scene.site = s.the_site
    do.upload(scene, host, s.at(20), s.up_megabytes(s.uniform(15, 25)), connections=4)
    s.look(15, 60)
    s.verdict("link-full")
    s.says("imaging archive")


def _watched(s: Stage, minutes: float) -> SiteKeepalive:
    spec = SiteKeepalive("198.51.100.1", interval_s=s.choose((5, 10)))
    s.router(active_s=60)
    s.site(plans=ROOMY, backup=True, keepalives=(spec,))
    s.custom_keepalives()
    s.open(minutes)
    return spec


@situation
def an_audit_finds_the_backup_test_dead(s: Stage) -> None:
    """Nobody complained of anything: what happens next is about the backup, not about radio."""
    spec = _watched(s, 90)
    do.keepalive(s.scene, 1, spec, s.start, s.at(30))
    s.audit()
    s.want("keepalive-missing", link="lte", start=s.at(30))
    s.verdict("keepalive-missing")
    s.hushes(*WIRELESS)


@situation
def an_audit_finds_the_backup_unanswered(s: Stage) -> None:
    spec = _watched(s, 90)
    do.keepalive(s.scene, 1, spec, s.start, s.end, answered=False)
    s.audit()
    s.want("keepalive-unanswered", link="lte")
    s.verdict("keepalive-unanswered")
    s.hushes(*WIRELESS)


@situation
def an_audit_finds_a_sound_backup(s: Stage) -> None:
    """Near miss: the test of the backup works, and nothing is to be done about it."""
    spec = _watched(s, 90)
    do.keepalive(s.scene, 1, spec, s.start, s.end)
    s.audit()
    s.healthy = True
    s.forbid("keepalive-missing", "keepalive-unanswered", "keepalive-excess", "keepalive-irregular")


@situation
def a_leak_beside_a_complaint(s: Stage) -> None:
    """A tenth of the traffic leaks to the backup; the main line had room, and the client is told."""
    s.router(active_s=60)
    s.site((100, 40), backup=True)
    scene = s.open(90, background=0.05)
    host = scene.hosts[2]
    for minute in range(12, 80, 4):
        do.download(scene, host, s.at(minute), 20, cap_mbps=1.5, link=1)
    s.look(10, 80)
    s.want("backup-leak", severity="any", link="lte")
    s.forbid("on-backup", "flapping", "link-full")
    s.verdict("backup-leak")
    s.says("room")
