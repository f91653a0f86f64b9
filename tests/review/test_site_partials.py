"""A site's history out of a store: what was drawn is what is counted, and only new days cost anything."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from flowdiag.review.cache import REVIEWED
from flowdiag.review.flow_days import FlowDays
from flowdiag.review.partial import SitePartial
from flowdiag.review.site_partials import SiteHistory, site_history
from flowdiag.review.talkers import told
from flowdiag.scenario.network import OCTETS_PER_MBPS_MS
from flowdiag.scenario.portfolio import portfolio_site
from tests.review.portfolios import DAY_MS, FIRST, FIRST_MS, profile_of, small


def history(folder: Path, days: int = 3, **more: bool) -> SiteHistory:
    profile = profile_of(portfolio_site(0, FIRST, days, 1))
    return site_history(FlowDays(str(folder / "flows")), profile, FIRST_MS, FIRST_MS + days * DAY_MS, **more)


def same(one: SitePartial, other: SitePartial) -> bool:
    return np.array_equal(one.wire_octets, other.wire_octets) and told(one.talkers) == told(other.talkers)


def test_octets_of_each_minute_add_up_to_the_demand_that_was_drawn(tmp_path: Path) -> None:
    small(tmp_path)
    drawn = portfolio_site(0, FIRST, 3, 1)
    partial = history(tmp_path).partial
    slots = partial.wire_octets[0].reshape(2, -1, 5).sum(axis=2)
    for direction, capacity in enumerate((drawn.site.links[0].down_mbps, drawn.site.links[0].up_mbps)):
        demand = drawn.shares[0, direction] * capacity * OCTETS_PER_MBPS_MS * 300_000
        assert slots[direction] == pytest.approx(demand, rel=0.01, abs=10_000)
    assert partial.covered.all()


def test_the_second_time_nothing_is_made_and_nothing_changes(tmp_path: Path) -> None:
    small(tmp_path)
    first, second = history(tmp_path), history(tmp_path)
    assert (first.made, first.kept, second.made, second.kept) == (3, 0, 0, 3)
    assert same(first.partial, second.partial)
    assert same(first.partial, history(tmp_path, keep=False).partial)


def test_a_new_day_costs_only_that_day(tmp_path: Path) -> None:
    small(tmp_path, days=3)
    history(tmp_path)
    small(tmp_path, days=4, begin_day=3)
    later = history(tmp_path, days=4)
    assert (later.made, later.kept) == (1, 3)
    assert same(later.partial, history(tmp_path, days=4, keep=False).partial)


def test_kept_partials_that_are_damaged_are_made_again(tmp_path: Path) -> None:
    small(tmp_path)
    first = history(tmp_path)
    for path in (tmp_path / "flows" / REVIEWED).rglob("*.days"):
        path.write_bytes(path.read_bytes()[:-200])
    again = history(tmp_path)
    assert again.made == 3
    assert same(first.partial, again.partial)


def test_a_damaged_file_of_flows_costs_its_day_and_is_named_each_time(tmp_path: Path) -> None:
    small(tmp_path)
    file = sorted((tmp_path / "flows").glob("exporter=10.200.0.0/day=2026-03-02/*.parquet"))[0]
    file.write_bytes(file.read_bytes()[:-100])
    for expected in (3, 1):
        found = history(tmp_path)
        assert found.made == expected
        assert [file.name in problem for problem in found.problems] == [True]
    assert found.partial.wire_octets[0, 0, :1440].any()
    assert not found.partial.wire_octets[0, 0, 1440:2880].any()
