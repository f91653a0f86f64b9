"""Figures of a link, worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.review.link_figures import counted_slots
from flowdiag.review.partial import Stay
from tests.review.building import (
    DAY_MS,
    HOST,
    MONDAY_MS,
    OTHER,
    PROFILE,
    SLOTS_A_DAY,
    figures_of,
    partial_of,
    profile,
    with_talkers,
)


def test_p95_of_a_month_leaves_out_the_highest_36_hours() -> None:
    """Transit billing over 30 days: 8,640 five-minute rates, of which the highest 5 %, 432 or 36 hours, are left out; the
    next is the percentile (common practice, no source).
    """
    rates = np.random.default_rng(1).permutation(np.arange(1, 8641)) / 100.0
    figures = figures_of(partial_of(rates))
    assert figures.p95_mbps == pytest.approx(82.08, abs=1e-6)
    assert figures.peak_mbps == pytest.approx(86.40, abs=1e-6)


def test_p95_is_a_rate_that_was_measured() -> None:
    """The nearest-rank example {15, 20, 35, 40, 50} of statistics texts (Wikipedia, "Percentile"): its 95th is 50."""
    figures = figures_of(partial_of(np.array([15.0, 20.0, 35.0, 40.0, 50.0])))
    assert figures.p95_mbps == pytest.approx(50.0)


def test_busy_and_full_hours_are_the_time_over_the_thresholds() -> None:
    rates = np.zeros(SLOTS_A_DAY)
    rates[:24] = 75.0  # two hours at 75 % of the plan
    rates[24:30] = 95.0  # half an hour at 95 %
    figures = figures_of(partial_of(rates))
    assert (figures.busy_hours, figures.full_hours) == (2.5, 0.5)
    assert (figures.episodes, figures.episode_minutes, figures.episode_days) == (1, 30, 1)


def test_the_busy_hour_is_the_local_hour_that_carries_most() -> None:
    rates = np.ones(2 * SLOTS_A_DAY)
    rates[[120, 130, SLOTS_A_DAY + 121]] = 60.0  # from ten to eleven UTC
    rates[12] = 90.0  # one five minutes of another hour
    figures = figures_of(partial_of(rates))
    assert figures.busy_hour == 10
    assert figures.busy_hour_p95_mbps == pytest.approx(60.0)


def test_silence_and_stays_on_the_backup_do_not_count() -> None:
    rates = np.full(SLOTS_A_DAY, 10.0)
    rates[:144] = 0.0
    stay = Stay(1, MONDAY_MS, MONDAY_MS + DAY_MS // 4, 1, 1, False, False)
    partial = replace(partial_of(rates), stays=(stay,))
    partial.covered[360:720] = False  # from six to twelve
    assert int(counted_slots(partial, True).sum()) == 144
    assert figures_of(partial).mean_mbps == pytest.approx(10.0)
    assert figures_of(partial).coverage == 0.5
    assert int(counted_slots(partial, False).sum()) == 216


def test_the_top_talker_is_the_one_that_leads_the_peaks() -> None:
    rates = np.full(100, 10.0)
    rates[:24] = 90.0
    rows = [(0, slot, HOST, 80.0) for slot in range(24)] + [(0, slot, OTHER, 6.0) for slot in range(24, 100)]
    talker = figures_of(with_talkers(partial_of(rates), rows)).talker
    assert talker is not None
    assert talker.address == HOST
    assert talker.share == pytest.approx(8 / 9)
    assert talker.p95_without_mbps == pytest.approx(10.0)


def test_hosts_that_lead_no_slot_are_known_all_the_same() -> None:
    """A peak of two hours, to which one host brings 17 of 100 Mbit/s all along; another leads each slot with 20, but each is
    another one.
    """
    rates = np.full(200, 10.0)
    rates[:24] = 100.0
    crowd = [bytes(15) + bytes([number]) for number in range(24)]
    rows = [(0, slot, HOST, 17.0) for slot in range(24)]
    rows += [(0, slot, crowd[slot], 20.0) for slot in range(24)]
    talker = figures_of(with_talkers(partial_of(rates), rows)).talker
    assert talker is not None
    assert (talker.address, talker.share) == (HOST, pytest.approx(0.17))
    assert talker.p95_without_mbps == pytest.approx(83.0)


def test_what_a_host_carried_in_an_hour_is_taken_from_its_slots_in_proportion() -> None:
    """Half an hour at 90 and half at 10 Mbit/s, of which one host has half in all: 45 and 5 are left."""
    rates = np.repeat([90.0, 10.0], 6)
    talker = figures_of(with_talkers(partial_of(rates), [(0, slot, HOST, 50.0) for slot in range(6)])).talker
    assert talker is not None
    assert talker.share == pytest.approx(0.5)
    assert talker.p95_without_mbps == pytest.approx(45.0)


def test_the_week_has_the_percentile_of_each_hour() -> None:
    rates = np.zeros(7 * SLOTS_A_DAY)
    rates[12:24] = np.arange(
        1, 13
    )  # Monday from one to two: of twelve rates the 95th percentile is the twelfth
    rates[-12:] = 20.0  # Sunday from 23:00
    week = figures_of(partial_of(rates)).week
    assert len(week) == 168
    assert week[1] == pytest.approx(0.12)
    assert week[167] == pytest.approx(0.20)
    assert week[2] == 0.0


def test_hours_without_figures_are_not_zero() -> None:
    week = figures_of(partial_of(np.ones(12))).week
    assert week[0] == pytest.approx(0.01)
    assert week[1:] == (None,) * 167


def test_working_hours_have_a_percentile_of_their_own() -> None:
    rates = np.full(SLOTS_A_DAY, 5.0)
    rates[:36] = 95.0  # a job from midnight to three
    figures = figures_of(partial_of(rates), profile(hours="Mon-Fri 08:00-18:00"))
    assert figures.p95_mbps == pytest.approx(95.0)
    assert figures.work_p95_mbps == pytest.approx(5.0)


def test_local_time_moves_the_week() -> None:
    rates = np.zeros(2 * SLOTS_A_DAY)
    rates[132:144] = 50.0  # Monday from 11:00 UTC: Tuesday from 00:00 in Auckland, 13 hours ahead in March
    text = PROFILE.replace('"UTC"', '"Pacific/Auckland"')
    figures = figures_of(partial_of(rates), profile(text))
    assert figures.busy_hour == 0
    assert figures.week[24] == pytest.approx(0.5)
