"""What is told of a site while something goes on is what was played."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from flowdiag.durations import DAY_MS, MINUTE_MS
from flowdiag.scenario import activities as do
from flowdiag.scenario import trouble
from flowdiag.scenario.scene import Scene
from flowdiag.watch.look import BACK_EVERY_MS, LEAST_UNHEARD_MS, is_quiet_still, look, look_at_day
from flowdiag.watch.state import DayState, Mark, SiteState, Standing
from tests.watch.playing import KEEPALIVE, NOW, Played, Trouble, ago, play

NEAR_MS = MINUTE_MS  # how near a told time is to what was played


def state_of(played: Played, now_ms: int = NOW) -> SiteState:
    looked = look(played.store, played.profile, now_ms)
    assert looked is not None
    return looked.state.at(now_ms)


def day_of(played: Played, now_ms: int = NOW) -> DayState:
    looked = look_at_day(played.store, played.profile, now_ms)
    assert looked is not None
    return looked.day


def mark(state: SiteState | DayState, code: str) -> Mark:
    (found,) = [mark for mark in state.marks if mark.code == code]
    return found


def nothing(scene: Scene) -> None:
    pass


def on_the_backup(scene: Scene) -> None:
    scene.network.fail(0, ago(25), scene.end, backup=1, gap_ms=3000)


def was_on_the_backup(scene: Scene) -> None:
    scene.network.fail(0, ago(150), ago(120), backup=1, gap_ms=3000)


def on_the_backup_for_two_hours(scene: Scene) -> None:
    scene.network.fail(0, ago(125), scene.end, backup=1, gap_ms=3000)


def down(scene: Scene) -> None:
    for link in (0, 1):
        scene.network.fail(link, ago(12), scene.end)
    trouble.stranded(scene, ago(12) + 1000, scene.end - 4000, 25)


def leaking(scene: Scene) -> None:
    do.streaming(scene, scene.hosts[3], scene.start, scene.end, 0.4)
    do.upload(scene, scene.hosts[2], scene.start, 500, cap_mbps=0.3, link=1)


def keepalives_stopped(scene: Scene) -> None:
    do.keepalive(scene, 1, KEEPALIVE, scene.start, ago(20))


def keepalives_unanswered(scene: Scene) -> None:
    do.keepalive(scene, 1, KEEPALIVE, scene.start, ago(20))
    do.keepalive(scene, 1, KEEPALIVE, ago(20), scene.end, answered=False)


def upload_full(scene: Scene) -> None:
    do.upload(scene, scene.hosts[0], ago(20), 20 * 60 * 30, connections=4)


@pytest.mark.parametrize(
    ("trouble", "own_keepalives", "standings"),
    [
        (nothing, False, ("main",)),
        (on_the_backup, False, ("backup",)),
        (was_on_the_backup, False, ("main",)),
        (down, False, ("down", "silent")),  # the backup is cut as well
        (leaking, False, ("leaking",)),
        (keepalives_stopped, True, ("silent",)),
        (keepalives_unanswered, True, ("silent",)),
        (upload_full, False, ("full",)),
    ],
)
def test_a_site_stands_as_it_was_played(
    tmp_path: Path, trouble: Trouble, own_keepalives: bool, standings: tuple[Standing, ...]
) -> None:
    assert state_of(play(tmp_path, trouble, keepalives=not own_keepalives)).standings == standings


def test_since_when_a_site_is_on_its_backup(tmp_path: Path) -> None:
    state = state_of(play(tmp_path, on_the_backup))
    assert state.since_ms == pytest.approx(ago(25), abs=NEAR_MS)
    assert mark(state, "on-backup").ended_ms is None


def test_since_when_is_told_of_what_is_longer_than_an_hour(tmp_path: Path) -> None:
    state = state_of(play(tmp_path, on_the_backup_for_two_hours))
    assert (state.on, state.since_ms) == ("backup", pytest.approx(ago(125), abs=NEAR_MS))


def test_the_day_tells_of_what_is_over(tmp_path: Path) -> None:
    played = play(tmp_path, was_on_the_backup)
    day = day_of(played)
    assert day.standings == ("backup",)
    assert day.begin_ms == pytest.approx(
        ago(180), abs=NEAR_MS
    )  # nothing is known of the time before the first record
    assert mark(day, "on-backup").ended_ms == pytest.approx(ago(120), abs=NEAR_MS)
    (stay,) = [spell for spell in day.spells if spell.on == "backup"]
    assert (stay.begin_ms, stay.end_ms) == pytest.approx((ago(150), ago(120)), abs=NEAR_MS)
    assert [spell.on for spell in day.spells][-3:] == ["main", "backup", "main"]


def test_spells_of_a_day_follow_each_other(tmp_path: Path) -> None:
    day = day_of(play(tmp_path, down))
    edges = [(spell.begin_ms, spell.end_ms) for spell in day.spells]
    assert edges[0][0] == day.begin_ms
    assert edges[-1][1] == day.end_ms
    assert [end for _, end in edges[:-1]] == [begin for begin, _ in edges[1:]]


def test_an_exporter_that_stops_is_not_heard(tmp_path: Path) -> None:
    state = state_of(play(tmp_path, nothing, silent_from=ago(30)))
    assert state.standings == ("unheard",)
    assert state.heard_ms == pytest.approx(ago(30), abs=NEAR_MS)
    assert state.since_ms == state.heard_ms


def test_an_exporter_is_heard_until_it_is_silent_for_too_long(tmp_path: Path) -> None:
    played = play(tmp_path, nothing)
    state = state_of(played)
    assert state.heard_ms is not None
    assert state.unheard_ms == state.heard_ms + LEAST_UNHEARD_MS
    assert state.at(state.unheard_ms - 1).on == "main"
    assert state.at(state.unheard_ms).on == "unheard"


def test_an_exporter_of_long_ago_is_not_heard(tmp_path: Path) -> None:
    played = play(tmp_path, nothing)
    later = NOW + 3 * DAY_MS
    state = state_of(played, later)
    assert state.standings == ("unheard",)
    assert state.heard_ms == pytest.approx(NOW, abs=2 * NEAR_MS)
    assert day_of(played, later).standings == ("unknown",)


def test_a_look_depends_on_the_store_and_the_time_alone(tmp_path: Path) -> None:
    one, two = (play(tmp_path / name, upload_full) for name in ("one", "two"))
    first, second = (look(played.store, played.profile, NOW) for played in (one, two))
    assert first is not None
    assert second is not None
    assert (first.digest, first.state) == (second.digest, second.state)
    assert look_at_day(one.store, one.profile, NOW) == look_at_day(two.store, two.profile, NOW)


def test_what_was_looked_at_is_not_looked_at_again(tmp_path: Path) -> None:
    played = play(tmp_path, nothing)
    looked = look(played.store, played.profile, NOW)
    assert looked is not None
    assert look(played.store, played.profile, NOW + 1000, looked.digest) is None


def test_a_finding_that_is_over_is_told_with_its_end(tmp_path: Path) -> None:
    def full_for_a_while(scene: Scene) -> None:
        do.upload(scene, scene.hosts[0], ago(40), 20 / 8 * 60 * 12, connections=4)

    state = state_of(play(tmp_path, full_for_a_while))
    assert state.standings == ("main",)
    ended = mark(state, "link-full").ended_ms
    assert ended is not None
    assert ago(29) < ended < ago(26)


def test_records_that_come_late_change_what_is_told(tmp_path: Path) -> None:
    played = play(tmp_path, on_the_backup, silent_from=ago(30))
    before = look(played.store, played.profile, NOW)
    play(tmp_path, on_the_backup, silent_until=ago(30))
    after = look(played.store, played.profile, NOW, before and before.digest)
    assert before is not None
    assert after is not None
    assert before.state.at(NOW).standings == ("unheard",)
    assert after.state.at(NOW).standings == ("backup",)


def test_a_site_that_is_new_was_not_silent_before(tmp_path: Path) -> None:
    played = play(tmp_path, nothing, silent_until=ago(20))
    assert state_of(played).marks == ()
    assert day_of(played).standings == ("main",)


def test_what_was_lost_is_told_as_a_part_of_what_came(tmp_path: Path) -> None:
    gap = mark(state_of(play(tmp_path, nothing, loss=0.2)), "export-gap")
    assert re.search(r"\((1[5-9]|2[0-5])%\) were lost", gap.summary), gap.summary


def test_a_datagram_or_two_of_a_site_that_hardly_sends_any_are_not_told(tmp_path: Path) -> None:
    """Of some dozens of records in three hours more than a tenth is lost."""
    played = play(tmp_path, nothing, loss=0.04, mbps=None)
    state = state_of(played)
    assert state.marks == ()
    assert state.heard_ms == pytest.approx(NOW, abs=2 * NEAR_MS)


def test_quiet_sites_do_not_all_look_back_in_the_same_minute() -> None:
    """Each once in a quarter of an hour, and one of two with other names in another minute."""

    def minutes(shift: int) -> list[int]:
        states = [SiteState(on="quiet", judged_ms=NOW + minute * MINUTE_MS) for minute in range(31)]
        return [n for n in range(30) if not is_quiet_still(states[n], states[n + 1], shift)]

    one, two = minutes(0), minutes(7 * MINUTE_MS)
    assert [later - earlier for earlier, later in (one, two)] == [BACK_EVERY_MS // MINUTE_MS] * 2
    assert one != two
