"""Advice on invented sites whose truth is known. `python -m tests.review` measures 200 of them over three months."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowdiag.rollup import ROLLER
from flowdiag.scenario.portfolio import Kind
from tests.review.accuracy import measured
from tests.review.portfolios import FIRST, of_kinds

KINDS: tuple[Kind, ...] = ("outgrown", "nearly", "rising", "runaway", "quiet", "failover", "leak", "new")


def test_each_kind_of_site_gets_the_advice_that_is_right_for_it(tmp_path: Path) -> None:
    found = measured(of_kinds(tmp_path, KINDS, days=31), "2026-03", FIRST, 31, jobs=1)
    assert not found.wrong
    assert (found.right, found.upgrades, found.runaways) == (8, 8, 0)
    assert (found.plans, found.upgraded) == (1, 1)


@pytest.mark.slow
def test_the_advice_is_as_right_by_roll_ups(tmp_path: Path) -> None:
    done = of_kinds(tmp_path, ("outgrown", "runaway"), days=31, roller=ROLLER)
    found = measured(done, "2026-03", FIRST, 31, jobs=1)
    assert not found.wrong
    assert (found.right, found.runaways, found.plans) == (2, 0, 1)
