"""Figures of a backup, worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.review.backup_figures import BackupFigures, backup_figures
from flowdiag.review.partial import Missing, SitePartial, Stay
from tests.review.building import MONDAY_MS, PROFILE, SLOTS_A_DAY, partial_of, profile, slots_of

HOUR_MS = 3_600_000


def figures(partial: SitePartial, text: str = PROFILE) -> BackupFigures:
    site = profile(text)
    found = backup_figures(site, partial, slots_of(partial, site), partial)
    assert found is not None
    return found


def test_stays_become_hours_days_and_failovers() -> None:
    begin = MONDAY_MS + 23 * HOUR_MS
    stays = (
        Stay(1, begin, begin + 2 * HOUR_MS, 5, 1, False, False),  # Monday 23:00 to Tuesday 01:00
        Stay(1, begin + 10 * HOUR_MS, begin + 10 * HOUR_MS + HOUR_MS // 2, 5, 1, False, False),
    )
    found = figures(replace(partial_of(np.ones(2 * SLOTS_A_DAY)), stays=stays))
    assert (found.hours_on_backup, found.days, found.failovers) == (2.5, 2, 2)


def test_the_allowance_is_projected_to_the_end_of_the_month() -> None:
    """From 2 to 6 March five days are known, in which 1 GB of 10 was used: 6.2 GB in the 31 days of March."""
    partial = partial_of(np.ones(5 * SLOTS_A_DAY))
    octets = partial.ip_octets.copy()
    octets[1, :1000] = 1_000_000
    found = figures(replace(partial, ip_octets=octets))
    assert found.month == "2026-03"
    assert found.month_octets == 1_000_000_000
    assert found.allowance_used == pytest.approx(0.1)
    assert found.allowance_projected == pytest.approx(0.62)


def test_a_month_that_has_just_begun_is_projected_by_the_weeks_before() -> None:
    """From 2 March to 1 April 31 days are known, with 0.1 GB on each day of March and 1 GB on 1 April. Of the last 31 days
    that is 4 GB, or 0.129 GB a day, on each of the 29 days to come: 1 + 3.742 GB of the allowance's 10.
    """
    partial = partial_of(np.ones(31 * SLOTS_A_DAY))
    octets = partial.ip_octets.copy()
    octets[1, : 30 * SLOTS_A_DAY : SLOTS_A_DAY] = 100_000_000
    octets[1, 30 * SLOTS_A_DAY] = 1_000_000_000
    found = figures(replace(partial, ip_octets=octets))
    assert (found.month, found.octets, found.month_octets) == ("2026-04", 4_000_000_000, 1_000_000_000)
    assert found.allowance_used == pytest.approx(0.1)
    assert found.allowance_projected == pytest.approx(0.1 + 29 * 4 / 31 / 10)


def on_backup_for_a_day(*, over: bool) -> BackupFigures:
    """31 days from 2 March with 0.01 GB of leak a day, but for one with 5 GB on the backup: the eleventh, or the last."""
    partial = partial_of(np.ones(31 * SLOTS_A_DAY))
    octets = partial.ip_octets.copy()
    octets[1, ::SLOTS_A_DAY] = 10_000_000
    day = 10 if over else 30
    octets[1, day * SLOTS_A_DAY] = 5_000_000_000
    begin = MONDAY_MS + day * 24 * HOUR_MS
    stay = Stay(1, begin, begin + 24 * HOUR_MS, 5, 1, False, not over)
    return figures(replace(partial, ip_octets=octets, stays=(stay,)))


def test_a_failover_that_is_over_is_not_projected() -> None:
    """April has one known day with 0.01 GB; the other 29 have it too."""
    assert on_backup_for_a_day(over=True).allowance_projected == pytest.approx(0.030)


def test_a_site_that_is_on_its_backup_still_is_projected() -> None:
    """5 GB on 1 April; the 31 days carried 5.3 GB, and so 29 more carry 29/31 of that."""
    assert on_backup_for_a_day(over=False).allowance_projected == pytest.approx((5 + 29 * 5.3 / 31) / 10)


def test_without_an_allowance_only_octets_are_told() -> None:
    found = figures(partial_of(np.ones(288)), PROFILE.replace("allowance_gb = 10", ""))
    assert (found.allowance_gb, found.allowance_used, found.allowance_projected) == (None, None, None)


def test_leaked_octets_and_silence_are_summed() -> None:
    partial = partial_of(np.ones(SLOTS_A_DAY))
    leaked = partial.leaked.copy()
    leaked[1, 7:9] = 500
    missing = (Missing(1, MONDAY_MS, MONDAY_MS + HOUR_MS),)
    found = figures(replace(partial, leaked=leaked, missing=missing))
    assert (found.leaked_octets, found.silent_hours) == (1000, 1.0)


def test_fit_asks_for_the_busiest_hour_of_each_day_and_direction() -> None:
    """The backup carries 27 of 30 Mbit/s down and 4.5 of 5 up before it is full."""
    down, up = np.full(3 * SLOTS_A_DAY, 1.0), np.full(3 * SLOTS_A_DAY, 1.0)
    down[120:132] = 26.0  # Monday's busiest hour: fits
    down[SLOTS_A_DAY + 120 : SLOTS_A_DAY + 132] = 28.0  # Tuesday's does not
    down[2 * SLOTS_A_DAY + 120 : 2 * SLOTS_A_DAY + 132] = 20.0
    down[2 * SLOTS_A_DAY + 125] = 90.0  # Wednesday's: one five minutes over are let pass
    up[120:132] = 4.6  # over on Monday
    found = figures(partial_of(down, up=up))
    assert (found.fit_days, found.fit_down, found.fit_up) == (3, 2, 2)


def test_days_of_which_little_is_known_are_not_compared() -> None:
    partial = partial_of(np.ones(2 * SLOTS_A_DAY))
    partial.covered[1440 : 1440 + 800] = False
    assert figures(partial).fit_days == 1


def test_a_site_without_a_backup_has_no_figures() -> None:
    site = profile(PROFILE.replace('role = "backup"', 'role = "primary"').replace("allowance_gb = 10", ""))
    partial = partial_of(np.ones(SLOTS_A_DAY))
    assert backup_figures(site, partial, slots_of(partial, site), partial) is None
