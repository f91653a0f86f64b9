"""A profile without plan rates is read, counted with, and refused by whatever judges."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from flowdiag.aggregator.plan_rates import HighestRate, highest_rate, require_plan_rates, with_plan_rates
from flowdiag.aggregator.usage import Usage
from flowdiag.errors import ProfileError
from flowdiag.review.sites import read_sites
from flowdiag.site.reading import profile_from_text
from flowdiag.text.clock import Clock
from tests.site.profiles import GOOD, changed

WITHOUT = re.sub(r"(?m)^(down|up)_mbps", r"# \1_mbps", GOOD)
START = 1_772_413_200_000  # 2 March 2026, 14:00 in Auckland (NZDT, UTC+13)


def usage() -> Usage:
    """Three minutes; fibre down 10, 30, 20 Mbit/s (75, 225, 150 MB a minute), up 2; lte nothing but 84 octets."""
    wire = np.zeros((2, 2, 3))
    wire[0, 0] = [75e6, 225e6, 150e6]
    wire[0, 1] = 15e6
    wire[1, 1, 2] = 84
    return Usage(START, 60_000, ("fibre", "lte"), wire, wire, wire)


def test_a_profile_without_plan_rates_is_read_and_says_which_it_lacks() -> None:
    assert profile_from_text(WITHOUT, "site.toml").without_plan() == [(0, 0), (0, 1), (1, 0), (1, 1)]
    assert profile_from_text(changed("down_mbps = 30\n", ""), "site.toml").without_plan() == [(1, 0)]
    assert profile_from_text(GOOD, "site.toml").without_plan() == []


def test_a_rate_that_nobody_gave_cannot_be_read() -> None:
    link = profile_from_text(changed("down_mbps = 30\n", ""), "site.toml").link[1]
    assert link.up_mbps == 5.5
    with pytest.raises(
        ProfileError, match="link 'lte': down_mbps: is missing; expected the plan's rate in Mbit/s"
    ):
        assert link.down_mbps


def test_the_highest_rate_is_that_of_the_fullest_window() -> None:
    """225 MB in 60 s are 30 Mbit/s."""
    assert highest_rate(usage(), 0, 0) == HighestRate(30.0, START + 60_000, 60_000)
    assert highest_rate(usage(), 1, 0) == HighestRate(0.0, START, 60_000)


def test_what_was_seen_in_words() -> None:
    clock = Clock("Pacific/Auckland")
    assert (
        highest_rate(usage(), 0, 0).words(clock) == "30 Mbit/s over the 60 s from 2026-03-02T14:01:00+13:00"
    )
    assert highest_rate(usage(), 1, 1).words(clock) == "under 0.001 Mbit/s"
    assert highest_rate(usage(), 1, 0).words(clock) == "0 Mbit/s"


def test_the_refusal_is_one_line_with_link_key_and_the_highest_rate_seen() -> None:
    profile = profile_from_text(changed("up_mbps = 40\n", ""), "site.toml")
    with pytest.raises(ProfileError) as raised:
        require_plan_rates(profile, usage())
    assert str(raised.value) == (
        "has no plan rate in link[1].up_mbps (link 'fibre'): the highest seen was 2 Mbit/s over the 60 s from "
        "2026-03-02T14:00:00+13:00; expected the plan's rates in Mbit/s; fill them in from what was bought: a rate that "
        "was seen is no plan"
    )
    require_plan_rates(profile_from_text(GOOD, "site.toml"), usage())


def test_all_missing_rates_are_named_at_once() -> None:
    with pytest.raises(ProfileError) as raised:
        require_plan_rates(profile_from_text(WITHOUT, "site.toml"), usage())
    named = re.findall(r"link\[\d\]\.\w+", str(raised.value))
    assert named == ["link[1].down_mbps", "link[1].up_mbps", "link[2].down_mbps", "link[2].up_mbps"]
    assert "\n" not in str(raised.value)


def test_a_review_leaves_the_site_out_and_says_where_the_rate_is_missing(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text(GOOD, encoding="utf-8")
    (tmp_path / "b.toml").write_text(WITHOUT, encoding="utf-8")
    sites, (fault,) = read_sites(tmp_path)
    assert [site.file for site in sites] == ["a.toml"]
    assert str(fault).startswith(
        f"{tmp_path / 'b.toml'}: has no plan rate in link[1].down_mbps (link 'fibre'), link[1].up_"
    )
    assert with_plan_rates(sites[0].profile, "a.toml") is sites[0].profile
    (tmp_path / "a.toml").unlink()
    with pytest.raises(ProfileError, match="has no plan rate"):
        read_sites(tmp_path)
