"""Which link is the primary one, worked out by hand on windows of a minute."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from flowdiag.draft.proposal import draft_profile
from flowdiag.draft.roles import Activity, LinkTraits, guess_roles
from flowdiag.scenario.write import enact, write_export
from tests.scenarios import backups, healthy, keepalives  # noqa: F401  (they register their situations)
from tests.scenarios.stage import Stage, labelled

FIBRE, LTE, CABLE = (LinkTraits(f"interface {number}", False, False) for number in (2, 3, 4))
PACED = LinkTraits("interface 3", hinted=False, paced=True)
Spells = tuple[tuple[int, int], ...]


def activity(
    *ordinary: Spells, probes: tuple[Spells, ...] = ((), ()), octets: tuple[float, ...] = (90, 10)
) -> Activity:
    """Two hours from midnight UTC on; minutes [from, to) in which each link carried ordinary traffic, or probes."""

    def marked(links: tuple[Spells, ...]) -> np.ndarray:
        table = np.zeros((len(links), 120), np.bool_)
        for row, spells in zip(table, links, strict=True):
            for begin, end in spells:
                row[begin:end] = True
        return table

    return Activity(0, 60_000, marked(ordinary), marked(probes), np.array(octets, np.float64))


def roles(links: list[LinkTraits], seen: Activity) -> list[tuple[int, str]]:
    return [(number, guess.role) for number, guess in guess_roles(links, seen)]


def test_a_link_that_carries_only_while_the_other_carries_none_is_its_backup() -> None:
    seen = activity(((0, 65), (87, 120)), ((65, 87),))
    (_, lead), (number, backup) = guess_roles([FIBRE, LTE], seen)
    assert (lead.role, number, backup.role) == ("primary", 1, "backup")
    assert lead.reason == (
        "it carried 90% of the octets of all links, ordinary traffic in 98 of 120 minutes, longer than any other link"
    )
    assert backup.reason == (
        "it carried ordinary traffic only while interface 2 carried none (01:05 to 01:27 UTC)"
    )
    assert backup.alternative == "if both lines are in use all day, this one is primary"


def test_a_minute_that_both_carry_at_the_change_makes_no_second_primary() -> None:
    seen = activity(((0, 66), (86, 120)), ((65, 87),))
    assert roles([FIBRE, LTE], seen) == [(0, "primary"), (1, "backup")]
    assert (
        "nearly only while interface 2 carried none (01:06 to 01:26 UTC)"
        in guess_roles([FIBRE, LTE], seen)[1][1].reason
    )


def test_links_that_carry_at_the_same_time_share_the_load() -> None:
    seen = activity(((0, 120),), ((0, 50), (60, 120)), octets=(60, 40))
    (_, first), (_, second) = guess_roles([FIBRE, LTE], seen)
    assert (first.role, second.role) == ("primary", "primary")
    assert second.reason.endswith(
        "in 110 of 120 minutes, mostly together with interface 2, as when links share the load"
    )
    assert second.alternative == "if that traffic is not meant to be there, this one is a backup"


def test_the_link_that_was_in_use_longer_is_the_primary_even_if_it_came_second() -> None:
    """The export began during a failover of 20 minutes."""
    assert roles([LTE, FIBRE], activity(((0, 20),), ((20, 120),))) == [(1, "primary"), (0, "backup")]


def test_of_two_in_use_for_about_as_long_the_first_is_the_primary() -> None:
    """55 and 65 minutes: less than one and a half times as long decides nothing."""
    seen = activity(((55, 120),), ((0, 55),))
    assert roles([LTE, FIBRE], seen) == [(1, "primary"), (0, "backup")]
    assert guess_roles([LTE, FIBRE], seen)[0][1].reason.endswith("before any other link")


def test_who_sends_probes_alone_is_waiting_although_it_carried_longer_later() -> None:
    """The primary failed after 35 of 120 minutes and did not come back."""
    seen = activity(((0, 35),), ((35, 120),), probes=((), ((0, 35),)), octets=(30, 70))
    assert roles([FIBRE, PACED], seen) == [(0, "primary"), (1, "backup")]


def test_in_a_quiet_night_who_sends_probes_is_the_backup() -> None:
    """Neither carries ordinary traffic, and the probes are most of what there is."""
    seen = activity((), (), probes=(((50, 60),), ((0, 120),)), octets=(10, 90))
    assert roles([FIBRE, PACED], seen) == [(0, "primary"), (1, "backup")]


def test_a_link_used_now_and_then_beside_one_in_use_all_day_is_a_backup() -> None:
    seen = activity(((0, 120),), ((10, 12), (40, 43)))
    assert roles([FIBRE, LTE], seen) == [(0, "primary"), (1, "backup")]
    assert (
        "in 5 of 120 minutes, far less often than interface 2" in guess_roles([FIBRE, LTE], seen)[1][1].reason
    )


def test_a_leak_beside_probes_makes_no_second_primary() -> None:
    seen = activity(((0, 120),), ((0, 110),), probes=((), ((110, 120),)), octets=(86, 14))
    assert roles([FIBRE, PACED], seen) == [(0, "primary"), (1, "backup")]


def test_an_idle_link_is_a_backup_and_three_links_are_told_apart() -> None:
    seen = activity(((0, 120),), (), ((0, 120),), probes=((), ((0, 120),), ()), octets=(50, 0, 40))
    assert roles([FIBRE, PACED, CABLE], seen) == [(0, "primary"), (2, "primary"), (1, "backup")]


def test_a_name_like_a_backup_s_counts_before_octets() -> None:
    named = LinkTraits('interface 3 "lte0"', hinted=True, paced=False)
    seen = activity(((0, 20),), ((20, 120),), octets=(10, 90))
    assert roles([FIBRE, named], seen) == [(0, "primary"), (1, "backup")]


def test_many_times_of_day_are_told_in_part() -> None:
    seen = activity(
        tuple((n, n + 15) for n in range(0, 120, 20)), tuple((n + 15, n + 20) for n in range(0, 120, 20))
    )
    assert (
        "(00:15 to 00:20, 00:35 to 00:40, 00:55 to 01:00 and 3 more UTC)"
        in guess_roles([FIBRE, LTE], seen)[1][1].reason
    )


SITUATIONS = (
    "a-failover-and-back",
    "stuck-on-the-backup",
    "a-flapping-line",
    "two-failovers-hours-apart",
    "a-large-leak",
    "keepalives-in-order",
)


@pytest.mark.parametrize("name", SITUATIONS)
@pytest.mark.parametrize("number", [0, 1])
def test_roles_and_keepalives_of_situations_are_those_of_the_site(
    name: str, number: int, tmp_path: Path
) -> None:
    played = labelled(name, number)
    draft = draft_profile([write_export(played.situation, tmp_path / "export.pcap", played.exporting)])
    assert [
        (link.interface, link.role, [(k.protocol, k.interval_s) for k in link.keepalives])
        for link in draft.links
    ] == [
        (link.interfaces[0], link.role, [(k.protocol, k.interval_s) for k in link.keepalives])
        for link in played.situation.site.links
    ]


def test_a_long_active_timeout_hides_neither_roles_nor_keepalives(tmp_path: Path) -> None:
    """Records of half an hour: hundreds of keepalives in each."""
    stage = Stage("half-an-hour-a-record", 0)
    stage.router(active_s=1800)
    site = stage.site(backup=True)
    scene = stage.open(150, background=0.04)
    scene.network.fail(0, stage.at(70), stage.at(95), backup=1, gap_ms=3000)
    situation = enact(scene, stage.meter)
    assert (situation.records["end"] - situation.records["start"]).max() >= 1_700_000
    draft = draft_profile([write_export(situation, tmp_path / "export.pcap", stage.exporting)])
    assert [(link.interface, link.role) for link in draft.links] == [
        (link.interfaces[0], link.role) for link in site.links
    ]
    assert [k.interval_s for k in draft.links[1].keepalives] == [site.links[1].keepalives[0].interval_s]


def test_a_failover_within_two_minutes_of_export_is_seen(tmp_path: Path) -> None:
    """Minutes would show both links busy in the second one; windows of 5 s tell them apart."""
    stage = Stage("two-minutes", 0)
    stage.router(active_s=60)
    site = stage.site((100, 20), backup=True)
    scene = stage.open(2, background=0.05, hosts=12)
    scene.network.fail(0, stage.at(1.2), stage.end, backup=1, gap_ms=2000)
    draft = draft_profile(
        [write_export(enact(scene, stage.meter), tmp_path / "export.pcap", stage.exporting)]
    )
    assert [(link.interface, link.role) for link in draft.links] == [
        (link.interfaces[0], link.role) for link in site.links
    ]
