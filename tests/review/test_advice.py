"""Advice: what is outgrown, and what an upgrade would not cure."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.review.advice import Judgement, judge
from flowdiag.review.backup_figures import backup_figures
from flowdiag.review.link_figures import link_figures
from flowdiag.review.partial import SitePartial
from flowdiag.review.trend import Months
from flowdiag.site.profile import Profile
from flowdiag.text.wording.review import FLOWS_AROUND, allowance, leaking, span
from tests.review.building import (
    HOST,
    PROFILE,
    SLOTS_A_DAY,
    partial_of,
    profile,
    slots_of,
    with_talkers,
)

DAYS = 28


def week_after_week(busy_mbps: float, growth_a_day: float = 0.0) -> NDArray[np.float64]:
    """Four weeks: on working days eight hours at a rate that may grow, else a twentieth of it."""
    day = np.arange(DAYS).repeat(SLOTS_A_DAY)
    slot = np.tile(np.arange(SLOTS_A_DAY), DAYS)
    at_work = (slot >= 96) & (slot < 192) & (day % 7 < 5)
    return np.asarray(np.where(at_work, 1.0, 0.05) * busy_mbps * (1 + growth_a_day * day))


def judged(partial: SitePartial, site: Profile | None = None, days: int = DAYS) -> Judgement:
    site = site or profile()
    slots = slots_of(partial, site)
    links = [
        link_figures(site, link, direction, partial, slots, partial, slots)
        for link in (0, 1)
        for direction in (0, 1)
    ]
    return judge(site, links, backup_figures(site, partial, slots, partial), partial, days)


def codes(judgement: Judgement) -> list[str]:
    return [reason.code for reason in judgement.reasons]


def led_by(partial: SitePartial, host: bytes, mbps: float, least: float) -> SitePartial:
    """One host leads all slots with at least some rate."""
    rates = partial.wire_octets[0, 0].reshape(-1, 5).sum(axis=1) / 37_500_000
    return with_talkers(partial, [(0, int(slot), host, mbps) for slot in np.flatnonzero(rates >= least)])


def test_a_plan_that_many_outgrew_needs_the_smallest_that_gives_room() -> None:
    found = judged(partial_of(week_after_week(90.0)))
    assert found.advice == "upgrade"
    # 90 of 0.7 of the plan: 128.6 Mbit/s at least.
    assert (found.plan, found.rates) == ("Line 250", (250.0, 50.0))
    assert codes(found) == ["outgrown", "plan"]
    assert "128" in found.reasons[1].text or "129" in found.reasons[1].text


def test_the_next_plan_allows_for_a_year_of_growth() -> None:
    """From 70 to 137 % of 95 Mbit/s in four weeks: doubled at most, so that 250 are not enough."""
    found = judged(partial_of(week_after_week(75.0, growth_a_day=0.01)))
    assert found.plan == "Line 500"
    assert "year's growth of up to 100%" in found.reasons[-1].text


def test_without_a_plan_that_is_large_enough_the_need_is_told() -> None:
    small = profile(PROFILE.replace('"Line 250" = [250, 50]\n"Line 500" = [500, 100]\n', ""))
    found = judged(partial_of(week_after_week(90.0)), small)
    assert (found.advice, found.plan) == ("upgrade", None)
    assert "no plan of the catalogue" in found.reasons[-1].text


def test_no_catalogue_is_no_obstacle() -> None:
    none = profile(PROFILE[: PROFILE.index("[plan_catalogue]")])
    found = judged(partial_of(week_after_week(90.0)), none)
    assert found.advice == "upgrade"
    assert "lists no plan_catalogue" in found.reasons[-1].text


def test_one_host_that_makes_the_peaks_is_to_be_tuned_first() -> None:
    found = judged(led_by(partial_of(week_after_week(90.0)), HOST, 70.0, 50.0))
    assert found.advice == "tune-first"
    assert codes(found) == ["one-talker"]
    assert "archive (192.168.40.20)" in found.reasons[0].text


def test_a_host_whose_absence_would_not_help_is_no_excuse() -> None:
    found = judged(led_by(partial_of(week_after_week(95.0)), HOST, 20.0, 50.0))
    assert found.advice == "upgrade"


def test_a_router_that_looks_like_the_only_host_is_no_runaway() -> None:
    partial = replace(led_by(partial_of(week_after_week(90.0)), HOST, 88.0, 50.0), hosts=1)
    assert judged(partial).advice == "upgrade"


def test_use_outside_the_working_hours_sells_nothing() -> None:
    nights = np.roll(week_after_week(90.0), 96)  # eight hours later
    assert judged(partial_of(nights), profile(hours="Mon-Fri 08:00-15:00")).advice == "tune-first"
    assert judged(partial_of(nights)).advice == "upgrade"


def test_more_than_the_plan_can_carry_is_a_wrong_plan_rate() -> None:
    assert codes(judged(partial_of(week_after_week(130.0)))) == ["over-plan"]


def test_growth_beyond_doubt_is_watched() -> None:
    found = judged(partial_of(week_after_week(45.0, growth_a_day=0.012)))
    assert found.advice == "watch"
    assert "growing" in codes(found)


def test_full_times_on_several_days_are_watched() -> None:
    rates = week_after_week(20.0)
    for day in (0, 1, 7):
        rates[day * SLOTS_A_DAY + 100 : day * SLOTS_A_DAY + 103] = 95.0
    assert codes(judged(partial_of(rates))) == ["full-times"]


def test_room_is_fine() -> None:
    found = judged(partial_of(week_after_week(30.0)))
    assert (found.advice, codes(found)) == ("fine", ["room"])


@pytest.mark.parametrize(
    ("leaked", "advice", "code"), [(1.0, "tune-first", "leak"), (0.1, "watch", "allowance")]
)
def test_an_allowance_that_will_not_do(leaked: float, advice: str, code: str) -> None:
    partial = partial_of(week_after_week(30.0))
    octets = partial.ip_octets.copy()
    octets[1] = 2_000_000
    spilt = np.zeros_like(octets)
    spilt[1] = round(2_000_000 * leaked)
    found = judged(replace(partial, ip_octets=octets, leaked=spilt))
    assert (found.advice, codes(found)) == (advice, [code])


def test_an_allowance_of_a_month_that_is_over_was_used() -> None:
    partial = partial_of(week_after_week(30.0))
    site = profile()
    running = backup_figures(site, partial, slots_of(partial, site), partial)
    running = replace(running, month="2026-03", allowance_used=1.004, allowance_projected=1.2)
    assert allowance(running).text == "the backup uses 120% of its allowance in March 2026 at this rate"
    over = allowance(replace(running, allowance_projected=1.004))
    assert over.text == "the backup used 100% of its allowance in March 2026"
    assert over.client == "Your backup line used 100% of its allowance in March 2026."
    assert (
        "which used 100% of its allowance in March 2026: stop"
        in leaking(replace(running, allowance_projected=1.004)).text
    )


@pytest.mark.parametrize(
    ("months", "words"),
    [
        (Months(1.0, 0.8, 1.24), "0.8 to 1.2"),
        (Months(6.0, 2.9, 11.6), "2.9 to 12"),
        (Months(6.0, 4.4, None), "4 or more"),
    ],
)
def test_a_forecast_has_its_interval(months: Months, words: str) -> None:
    assert span(months) == words


def test_too_few_days_are_not_enough() -> None:
    assert codes(judged(partial_of(week_after_week(90.0)), days=13)) == ["too-little"]


def test_half_a_period_without_the_exporter_is_not_enough() -> None:
    partial = partial_of(week_after_week(90.0))
    partial.covered[: len(partial.covered) // 2 + 1] = False
    assert judged(partial).advice == "not-enough-data"


def test_flows_that_fit_no_link_are_not_fine() -> None:
    found = judged(partial_of(np.zeros(DAYS * SLOTS_A_DAY)))
    assert (found.advice, codes(found)) == ("not-enough-data", ["no-link"])


def test_a_site_without_flows_is_not_fine() -> None:
    found = judged(replace(partial_of(np.zeros(DAYS * SLOTS_A_DAY)), records=0))
    assert codes(found) == ["no-flows"]


def test_flows_of_another_time_are_not_denied() -> None:
    partial = partial_of(np.zeros(DAYS * SLOTS_A_DAY))
    found = judged(replace(partial, covered=np.zeros_like(partial.covered)), days=0)
    assert (codes(found), found.reasons) == (["no-flows"], (FLOWS_AROUND,))
