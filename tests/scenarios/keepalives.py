"""Keepalives of the backup: missing, unanswered, in excess, irregular, or all right."""

from __future__ import annotations

from flowdiag.scenario import activities as do
from flowdiag.scenario.scene import Scene
from flowdiag.scenario.site import SiteKeepalive
from tests.scenarios.stage import Stage, situation

KINDS = (
    SiteKeepalive("198.51.100.1", "icmp", 0, 10, 84),
    SiteKeepalive("198.51.100.7", "icmp", 0, 5, 64),
    SiteKeepalive("203.0.113.77", "udp", 3544, 20, 60),
    SiteKeepalive("203.0.113.78", "tcp", 179, 30, 71),
    SiteKeepalive("198.51.100.1", "icmp", 0, 60, None),
)
FAULTS = (
    "keepalive-missing", "keepalive-unanswered", "keepalive-excess", "keepalive-irregular", "on-backup",
    "backup-leak",
)  # fmt: skip


def opened(s: Stage, minutes: float = 100) -> tuple[Scene, SiteKeepalive]:
    spec = s.choose(KINDS)
    s.site((100, 20), backup=True, keepalives=(spec,))
    s.custom_keepalives()
    return s.open(minutes), spec


def only(s: Stage, code: str | None, *also: str) -> None:
    s.forbid(*(fault for fault in FAULTS if fault != code and fault not in also))


@situation
def keepalives_in_order(s: Stage) -> None:
    scene, spec = opened(s)
    do.keepalive(scene, 1, spec, s.start, s.end)
    s.healthy = True
    s.look(10, 90)
    only(s, None)


@situation
def no_keepalives_at_all(s: Stage) -> None:
    opened(s)
    s.look(10, 90)
    s.want("keepalive-missing", severity="warning", link="lte")
    only(s, "keepalive-missing")


@situation
def no_keepalives_found_in_an_audit(s: Stage) -> None:
    opened(s)
    s.audit()
    s.want("keepalive-missing", severity="warning", link="lte")
    s.verdict("keepalive-missing")
    only(s, "keepalive-missing")


@situation
def keepalives_stop(s: Stage) -> None:
    scene, spec = opened(s, 150)
    stop = s.at(50)
    do.keepalive(scene, 1, spec, s.start, stop)
    s.look(20, 140)
    s.extra_tolerance = int(spec.interval_s * 1000)
    s.want("keepalive-missing", severity="warning", link="lte", start=stop)
    only(s, "keepalive-missing")


@situation
def keepalives_leave_by_the_wrong_link(s: Stage) -> None:
    scene, spec = opened(s)
    do.keepalive(scene, 0, spec, s.start, s.end)
    s.look(10, 90)
    s.want("keepalive-missing", severity="warning", link="lte")
    only(s, "keepalive-missing")


@situation
def keepalives_without_replies(s: Stage) -> None:
    scene, spec = opened(s)
    do.keepalive(scene, 1, spec, s.start, s.end, answered=False)
    s.look(10, 90)
    s.want("keepalive-unanswered", severity="warning", link="lte")
    only(s, "keepalive-unanswered")


@situation
def unanswered_keepalives_in_an_audit(s: Stage) -> None:
    scene, spec = opened(s)
    do.keepalive(scene, 1, spec, s.start, s.end, answered=False)
    s.audit()
    s.want("keepalive-unanswered", severity="warning", link="lte")
    s.verdict("keepalive-unanswered")
    only(s, "keepalive-unanswered")


@situation
def keepalives_thirty_times_too_often(s: Stage) -> None:
    scene, spec = opened(s)
    do.keepalive(scene, 1, spec, s.start, s.end, interval_s=spec.interval_s / 30)
    s.look(10, 90)
    s.want("keepalive-excess", severity="warning", link="lte")
    only(s, "keepalive-excess")


@situation
def outsize_keepalives(s: Stage) -> None:
    s.site((100, 20), backup=True, keepalives=(SiteKeepalive("198.51.100.1", "icmp", 0, 10, 84),))
    s.custom_keepalives()
    scene = s.open(100)
    do.keepalive(scene, 1, s.the_site.links[1].keepalives[0], s.start, s.end, packet_octets=1400)
    s.look(10, 90)
    s.want("keepalive-excess", severity="warning", link="lte")
    only(s, "keepalive-excess")


@situation
def keepalives_half_again_too_slow(s: Stage) -> None:
    scene, spec = opened(s, 140)
    do.keepalive(scene, 1, spec, s.start, s.end, interval_s=spec.interval_s * 1.6)
    s.look(10, 130)
    s.want("keepalive-irregular", severity="info", link="lte")
    only(s, "keepalive-irregular")


@situation
def keepalives_missing_and_the_line_full(s: Stage) -> None:
    scene, _ = opened(s)
    do.upload(scene, scene.hosts[0], s.at(25), s.up_megabytes(20))
    s.look(10, 90)
    s.want("keepalive-missing", severity="warning", link="lte")
    s.verdict("link-full")
    only(s, "keepalive-missing")


@situation
def keepalives_of_another_destination_too(s: Stage) -> None:
    """A second, small probe to another address on the backup is no leak worth a warning and no excess."""
    scene, spec = opened(s)
    do.keepalive(scene, 1, spec, s.start, s.end)
    do.keepalive(scene, 1, SiteKeepalive("203.0.113.250", "icmp", 0, 30, 84), s.start, s.end)
    s.healthy = True
    s.look(10, 90)
    only(s, None)
