"""Labels of seconds: what is full, short or neither, worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from tests.scenarios import runner  # noqa: F401 (registers every situation)
from tests.scenarios.delivery import delivered
from tests.scenarios.fine import kind_of, spells
from tests.scenarios.stage import SITUATIONS, labelled


def test_dips_of_two_steps_are_bridged_and_longer_ones_part_two_spells() -> None:
    share = np.array([0, 1, 1, 0, 0, 1, 1, 0, 0, 0, 1, 0], float)
    assert spells(share, 0.9) == [(1, 7), (10, 11)]


@pytest.mark.parametrize(
    ("length_s", "part", "window_s", "kind"),
    [
        (240, 0.07, 10, "full"),  # four minutes of an hour
        (240, 0.07, 60, "unclear"),  # three minutes and a record may be more or less than four whole ones
        (100, 0.9, 10, "full"),  # over a minute, and nearly all of the time asked about
        (100, 0.9, 60, "passing"),  # under two windows of such records
        (100, 0.2, 10, "short"),
        (100, 0.5, 10, "unclear"),  # half of the time, give or take
        (40, 0.02, 10, "short"),
        (40, 1.0, 10, "short"),  # under a minute is never sustained
        (25, 0.01, 10, "unclear"),  # two windows or three, by where they begin
        (9, 0.01, 10, "passing"),
    ],
)
def test_a_spell_is_what_its_length_and_part_say(
    length_s: int, part: float, window_s: int, kind: str
) -> None:
    assert kind_of(length_s, part, window_s) == kind


@pytest.mark.parametrize(
    "name", ["four-minutes-off-the-whole-minutes", "short-full-spells-in-a-healthy-hour"]
)
def test_spells_of_the_truth_are_wanted_at_their_own_seconds(name: str) -> None:
    case = labelled(name, 3)
    network, plan = case.situation.carried.network, case.situation.site.links[0]
    spans = [wanted for wanted in case.wanted if wanted.code == "link-full"]
    assert spans
    for wanted in spans:
        assert wanted.times.start
        assert wanted.times.end
        direction = ("down", "up").index(wanted.direction or "")
        first, last = (
            round((moment - network.start_ms) / 1000)
            for moment in (wanted.times.start[0], wanted.times.end[1])
        )
        octets = case.situation.carried.wire[0, direction, first:last].sum()
        assert octets / (last - first) > 0.95 * plan.capacity_mbps(direction) * 125_000


def test_a_restart_loses_what_was_in_the_cache_and_nothing_else() -> None:
    case = labelled("the-router-restarts-in-a-healthy-hour", 0)
    assert case.restart
    down, up = case.restart
    messages = delivered(case.situation, case.exporting, case.ways, case.restart)
    times = np.array([message.time_ms for message in messages])
    assert not ((times >= down) & (times < up)).any()
    assert (times < down).any()
    assert (times >= up).any()


def test_every_situation_of_seconds_is_registered() -> None:
    modules = {play.__module__.rpartition(".")[2] for play in SITUATIONS.values()}
    assert {"short_windows", "short_outages", "lost_records", "client_part"} <= modules
