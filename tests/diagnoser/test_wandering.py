"""A ceiling that wanders: told from transfers at rates of their own by what the others get at the same time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.findings import below_plan, not_the_link
from flowdiag.diagnoser.signals.moving_ceiling import together
from flowdiag.diagnoser.signals.wandering import wandering
from flowdiag.site.profile import Profile
from tests.diagnoser.building import Book, ms, profile

MBPS_SECOND = 125_000
RECORD = 10
BEGIN = 600


def variable() -> Profile:
    site = profile(backup=False)
    return site.model_copy(update={"link": [site.link[0].model_copy(update={"variable": True})]})


def transfers(rates: Sequence[Sequence[float]], *, places: int = 99, browsing: bool = True) -> Book:
    """One transfer a row of Mbit/s, a record every ten seconds from minute 10 on; 0: it does not run."""
    book = Book()
    if browsing:
        book.browse(0, 60 * 60)
    for number, series in enumerate(rates):
        for place, rate in enumerate(series):
            if rate > 0:
                start = BEGIN + RECORD * place
                book.row(start, start + RECORD, way=DOWN, octets=rate * MBPS_SECOND * RECORD,
                         inside=f"192.168.40.{20 + number}", outside=f"203.0.113.{100 + number % places}")  # fmt: skip
    return book


def walk(seed: int, steps: int) -> list[float]:
    """30 Mbit/s give or take a quarter, a random walk that is drawn back to the middle (common practice, no source)."""
    rng = np.random.default_rng(seed)
    value, found = 0.0, []
    for _ in range(steps):
        value = value * 0.92 + rng.normal(0, 0.1)
        found.append(30.0 * float(np.exp(value)))
    return found


def shared(seed: int, steps: int, number: int = 5) -> list[list[float]]:
    """Equal parts of such a walk for as many as run; one after another ends after half of the time."""
    ceiling = walk(seed, steps)
    ends = [steps - (steps // 2 // number) * place for place in range(number)]
    return [
        [ceiling[step] / sum(step < end for end in ends) if step < own else 0.0 for step in range(steps)]
        for own in ends
    ]


def case(rates: Sequence[Sequence[float]], **more: int) -> Case:
    return transfers(rates, **more).case(variable(), resolution_s=RECORD)


def test_equal_parts_of_a_ceiling_that_moves_have_all_their_movement_in_common() -> None:
    """30, 36 and 24 Mbit/s in turn, over three; the fourth that leaves at the end of it gives its part to the others."""
    ceiling = [30.0, 36.0, 24.0] * 4
    rates = [[c / 4 for c in ceiling[:6]] + [c / 3 for c in ceiling[6:]] for _ in range(3)]
    rates.append([c / 4 for c in ceiling[:6]])
    flows = transfers(rates, browsing=False).case(variable()).flows
    proof = together(flows, np.arange(len(flows)), ms(BEGIN), ms(BEGIN + 120))
    assert proof is not None
    assert (proof.transfers, proof.hosts, proof.destinations) == (4, 4, 4)
    assert proof.common == pytest.approx(1.0, abs=1e-9)
    assert proof.uneven == pytest.approx(0.0, abs=1e-9)


def test_unequal_parts_are_told_and_do_not_hide_what_is_common() -> None:
    """Parts of 1, 1 and 2 quarters: the quotients are 2/3, 2/3 and 2, and the logarithms deviate by ln 3 x sqrt(2)/3."""
    ceiling = [30.0, 36.0, 24.0] * 4
    rates = [[c * part for c in ceiling] for part in (0.25, 0.25, 0.5)]
    flows = transfers(rates, browsing=False).case(variable()).flows
    proof = together(flows, np.arange(len(flows)), ms(BEGIN), ms(BEGIN + 120))
    assert proof is not None
    assert proof.common == pytest.approx(1.0, abs=1e-9)
    assert proof.uneven == pytest.approx(np.log(3) * np.sqrt(2) / 3)


@pytest.mark.parametrize("seed", range(8))
def test_a_quarter_of_an_hour_under_it_is_a_finding(seed: int) -> None:
    found = below_plan.find(case(shared(seed, 90)))
    assert [(finding.direction, finding.confidence) for finding in found] == [("down", "medium")]
    assert found[0].evidence["moved_together"] > 0.9
    assert found[0].evidence["ceiling_mbps"] < 60
    assert "rose and fell together" in found[0].summary
    assert abs((found[0].start_ms or 0) - ms(BEGIN)) <= 60_000


@pytest.mark.parametrize("seed", range(8))
def test_servers_that_wander_by_themselves_are_none(seed: int) -> None:
    rates = [[rate / 5 for rate in walk(100 * seed + number, 90)] for number in range(5)]
    assert wandering(case(rates)) == ()
    assert below_plan.find(case(rates)) == []


def test_streams_that_keep_their_rates_are_none() -> None:
    assert wandering(case([[6.0] * 90] * 5)) == ()


def test_a_line_that_is_not_variable_is_not_looked_at() -> None:
    book = transfers(shared(0, 90))
    assert wandering(book.case(profile(backup=False), resolution_s=RECORD)) == ()


def test_what_comes_from_one_place_is_not_alleged_and_leaves_a_doubt() -> None:
    one_server = case(shared(0, 90), places=1)
    assert below_plan.find(one_server) == []
    assert not_the_link.verdict(one_server).confidence == "medium"


def test_three_minutes_of_it_are_too_short_for_a_finding_and_leave_a_doubt() -> None:
    short = case(shared(0, 18))
    assert below_plan.find(short) == []
    said = not_the_link.verdict(short)
    assert said.confidence == "low"
    assert any("5 transfers rose and fell together" in reason for reason in said.reasons)
    assert said.next_steps[0].text.startswith("Test the line's rate")


def test_the_rate_of_a_wandering_ceiling_is_the_mean_of_what_the_transfers_had() -> None:
    rates = shared(3, 90)
    (time,) = wandering(case(rates))
    assert time.start_ms == ms(BEGIN)
    steps = (time.end_ms - time.start_ms) // (1000 * RECORD)
    assert time.rate_mbps == pytest.approx(
        np.mean([sum(row[step] for row in rates) for step in range(steps)]), rel=1e-4
    )


@pytest.mark.parametrize(("part", "found"), [(0.30, True), (0.10, False)])
def test_transfers_of_less_than_a_hundredth_of_the_rate_do_not_compete(part: float, found: bool) -> None:
    """Nine transfers of a thirtieth or a ninetieth of the 30 Mbit/s and more that all had together."""
    rates = [[part * rate for rate in row] for row in shared(3, 90, 9)]
    assert bool(wandering(case(rates))) == found
