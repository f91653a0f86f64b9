"""Short exports, short complaints and short full spells, in records of five to twenty seconds; and what only resembles
them.
"""

from __future__ import annotations

from flowdiag.scenario import activities as do
from flowdiag.scenario.network import DELIVERED
from flowdiag.scenario.site import OVERHEAD_OCTETS
from tests.scenarios.stage import Stage, situation

MODEST = ((20, 2), (50, 10), (100, 20), (100, 40), (250, 25), (300, 100))
SEGMENT = 1500


def fine(
    s: Stage, minutes: float, *, records_s: tuple[int, ...] = (5, 10, 20), background: float = 0.02
) -> None:
    """A site whose router reports long flows every few seconds."""
    s.fine = True
    s.router(active_s=s.choose(records_s), idle_s=s.choose((5, 10, 15)))
    s.site(plans=MODEST)
    s.open(minutes, background=background)


def fill(s: Stage, from_s: float, to_s: float, *, up: bool | None = None, level: float = 1.0) -> None:
    """Transfers at a level of the plan (1: all of it) from about one moment to another, in seconds after the start."""
    upward = bool(s.rng.random() < 0.6) if up is None else up
    link = s.the_site.links[0]
    payload = SEGMENT / (SEGMENT + OVERHEAD_OCTETS[link.framing])
    mbps = (link.up_mbps if upward else link.down_mbps) * payload * min(level, sum(DELIVERED) / 2)
    go = do.upload if upward else do.download
    go(
        s.scene, s.choose(s.scene.hosts), s.at(from_s / 60), mbps / 8 * (to_s - from_s),
        connections=s.choose((1, 1, 4)), cap_mbps=mbps if level < 1 else float("inf"),
    )  # fmt: skip


@situation
def full_all_through_a_short_export(s: Stage) -> None:
    seconds = s.uniform(95, 600)
    fine(s, seconds / 60)
    fill(s, 0, seconds * 1.2)
    s.verdict("link-full")


@situation
def half_a_minute_and_full_all_through(s: Stage) -> None:
    """Full, but for no longer than it was looked at: a spell that is told, and no full link."""
    seconds = s.uniform(30, 48)
    fine(s, seconds / 60, records_s=(5, 10) if seconds > 38 else (5,))
    fill(s, 0, seconds * 1.5)
    s.verdict("not-the-link", "cannot-tell")
    s.never_high = True


@situation
def full_for_most_of_a_short_export(s: Stage) -> None:
    seconds = s.uniform(180, 560)
    fine(s, seconds / 60)
    begin = s.uniform(0.08, 0.15) * seconds
    fill(s, begin, begin + s.uniform(0.72, 0.8) * seconds)
    s.verdict("link-full")


@situation
def busy_all_through_a_short_export(s: Stage) -> None:
    """Near miss of a full one: four fifths of the plan."""
    seconds = s.uniform(150, 600)
    fine(s, seconds / 60, background=0.01)
    fill(s, 0, seconds * 1.2, up=True, level=s.uniform(0.77, 0.81))
    s.forbid("link-full", "below-plan")
    s.verdict("link-busy")


@situation
def a_short_export_of_ordinary_work(s: Stage) -> None:
    fine(s, s.uniform(1.5, 9.5), background=0.06)
    s.healthy = True
    s.forbid("link-full", "link-busy", "below-plan", "outage", "export-gap")


@situation
def a_short_complaint_inside_a_full_time(s: Stage) -> None:
    fine(s, 60)
    fill(s, 600, 2400)
    begin, length = s.uniform(900, 1500), s.uniform(120, 600)
    s.look_seconds(begin, begin + length)
    s.verdict("link-full")


@situation
def full_for_most_of_a_short_complaint(s: Stage) -> None:
    """Under three minutes in all, but most of the time asked about."""
    fine(s, 50)
    length = s.uniform(90, 145)
    begin = s.uniform(900, 1800)
    fill(s, begin, begin + length)
    s.look_seconds(begin - s.uniform(5, 12), begin + length + s.uniform(5, 20))
    s.verdict("link-full")


@situation
def a_short_complaint_after_a_full_time(s: Stage) -> None:
    """Near miss: it was full, and was over minutes before."""
    fine(s, 60)
    end = s.uniform(1200, 1800)
    fill(s, end - 400, end)
    begin = end + s.uniform(120, 300)
    s.look_seconds(begin, begin + s.uniform(120, 600))
    s.forbid("below-plan")


@situation
def full_from_one_part_of_a_minute_into_another(s: Stage) -> None:
    """The export begins and ends within a minute; it is full up to both ends, or just short of them."""
    seconds = s.uniform(200, 500)
    fine(s, seconds / 60)
    fill(s, 0, seconds * (1.2 if s.rng.random() < 0.5 else 0.93))
    s.verdict("link-full")


@situation
def four_minutes_off_the_whole_minutes(s: Stage) -> None:
    """240 seconds between whole minutes are four minutes, not three."""
    fine(s, 60)
    begin = s.at(20) // 60_000 * 60_000 + s.uniform(12, 48) * 1000
    fill(s, (begin - s.start) / 1000, (begin - s.start) / 1000 + 240)
    if s.rng.random() < 0.5:
        s.look(10, 45)
    s.verdict("link-full")


@situation
def short_full_spells_in_a_healthy_hour(s: Stage) -> None:
    fine(s, 60, records_s=(5, 10))
    for minute in (12, 22, 31, 43)[: s.choose((2, 3, 4))]:
        begin = minute * 60 + s.uniform(0, 90)
        fill(s, begin, begin + s.uniform(3 * s.meter.active_s + 5, 56))
    s.look(10, 50)
    s.never_high = True


@situation
def one_short_spell_in_a_short_complaint(s: Stage) -> None:
    """Full for 20 to 50 seconds of five minutes and more: told, and not the verdict."""
    fine(s, 40, records_s=(5,))
    begin = s.uniform(900, 1200)
    fill(s, begin, begin + s.uniform(22, 50))
    s.look_seconds(begin - s.uniform(60, 180), begin + s.uniform(240, 300))
    s.never_high = True


@situation
def bursts_of_three_to_five_seconds(s: Stage) -> None:
    """Near miss of a spell: less than two windows."""
    fine(s, 60, records_s=(5, 10))
    for minute in (11, 16, 20, 27, 33, 41):
        begin = minute * 60 + s.uniform(0, 60)
        fill(s, begin, begin + s.uniform(3, 5))
    s.look(10, 50)
    s.forbid("link-full", "below-plan", "link-busy")


@situation
def spells_at_eighty_percent(s: Stage) -> None:
    """Near miss of a full spell: there was room all the while."""
    fine(s, 60, records_s=(5, 10), background=0.01)
    for minute in (12, 22, 31, 43)[: s.choose((2, 3, 4))]:
        begin = minute * 60 + s.uniform(0, 90)
        fill(s, begin, begin + s.uniform(20, 60), up=True, level=s.uniform(0.78, 0.83))
    s.look(10, 50)
    s.forbid("link-full", "below-plan")
