"""A long time by roll-ups and the same time by all of its flows: the same figures and findings."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from flowdiag.aggregator.usage_report import UsageReport
from flowdiag.export_usage import report_usage
from flowdiag.long_times import Effort
from flowdiag.pipeline import build_case, run
from flowdiag.scenario.stored_days import Written, write_portfolio
from flowdiag.site.reading import read_profile
from flowdiag.text.wording.coverage import told
from tests.rollup.stores import OF_ALL

BY_SUMS = Effort(worth_octets=0)
FIGURES_BY_SUMS = Effort(worth_octets=0, who=False)
FIRST = datetime(2026, 3, 2, tzinfo=UTC)
DAYS = 4


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Written:
    return write_portfolio(tmp_path_factory.mktemp("portfolio"), 6, FIRST, DAYS, roller=OF_ALL)


def sites(written: Written) -> Iterator[Path]:
    yield from sorted(written.sites.iterdir())


def both(written: Written, site: Path, **asked: Any) -> tuple[UsageReport, UsageReport]:
    profile = read_profile(site)
    return (
        report_usage([written.store], profile, effort=None, **asked),
        report_usage([written.store], profile, effort=FIGURES_BY_SUMS, **asked),
    )


def same(by_flows: UsageReport, by_sums: UsageReport) -> None:
    """Sums are rounded to whole octets once for each minute and kind of record: a few bits a second."""
    assert by_sums.window_ms == by_flows.window_ms
    assert by_sums.step_ms == by_flows.step_ms
    for flows, sums in zip(by_flows.links, by_sums.links, strict=True):
        assert (sums.name, sums.direction) == (flows.name, flows.direction)
        assert sums.edges_ms.tolist() == flows.edges_ms.tolist()
        np.testing.assert_allclose(sums.mbps, flows.mbps, atol=1e-5)
        assert sums.state.tolist() == flows.state.tolist()
        assert (sums.lower_mbps <= sums.mbps + 1e-5).all()
        assert (sums.upper_mbps >= flows.upper_mbps - 1e-5).all()
        assert sums.figures.octets == pytest.approx(flows.figures.octets, abs=2)
        for name in ("mean_mbps", "p95_mbps", "peak_mbps"):
            assert getattr(sums.figures, name) == pytest.approx(getattr(flows.figures, name), abs=1e-5)
        # Of minutes that are equal but for rounding either may be the peak.
        for name in ("busy_minutes", "full_minutes", "peak_window_s"):
            assert getattr(sums.figures, name) == getattr(flows.figures, name), name
        assert [one.service_class for one in sums.classes] == [one.service_class for one in flows.classes]
        assert [one.octets for one in sums.classes] == pytest.approx(
            [one.octets for one in flows.classes], abs=2
        )
        assert [month[:2] for month in sums.months] == [month[:2] for month in flows.months]


def test_usage_over_days_is_the_same_by_sums(written: Written) -> None:
    for site in sites(written):
        by_flows, by_sums = both(written, site)
        same(by_flows, by_sums)
        assert any("Long time" in line for line in told(by_sums.remarks))
        assert not any("Long time" in line for line in told(by_flows.remarks))


@pytest.mark.parametrize(
    "window", [("2026-03-03T06:00:00Z", "2026-03-05T06:00:00Z"), ("2026-03-03T06:17:00Z", None)]
)
def test_usage_of_a_part_of_the_days_is_the_same_by_sums(
    written: Written, window: tuple[str, str | None]
) -> None:
    for site in list(sites(written))[:3]:
        same(*both(written, site, window_from=window[0], window_to=window[1]))


def test_windows_of_hours_are_sums_of_minutes(written: Written) -> None:
    site = next(sites(written))
    same(*both(written, site, window_ms=3_600_000))


def test_windows_that_are_no_whole_minutes_are_read_from_flows(written: Written) -> None:
    site = next(sites(written))
    _, by_sums = both(written, site, window_ms=90_000)
    assert not any("Long time" in line for line in told(by_sums.remarks))


def test_what_is_found_over_days_is_found_by_sums(written: Written) -> None:
    for site in sites(written):
        profile = read_profile(site)
        by_flows = run([written.store], profile, effort=None)
        by_sums = run([written.store], profile, effort=BY_SUMS)
        assert by_sums.verdict.code == by_flows.verdict.code, site.name
        assert {finding.code for finding in by_sums.findings if finding.severity != "info"} == {
            finding.code for finding in by_flows.findings if finding.severity != "info"
        }, site.name


def test_stand_ins_have_all_octets_of_the_flows(written: Written) -> None:
    for site in sites(written):
        profile = read_profile(site)
        flows = build_case([written.store], profile, effort=None).flows
        stand_ins = build_case([written.store], profile, effort=BY_SUMS).flows
        assert len(stand_ins) < len(flows)
        for link in range(len(profile.link)):
            for direction in (0, 1):
                here, there = (
                    one.octets[(one.link == link) & (one.direction == direction)].sum()
                    for one in (flows, stand_ins)
                )
                assert here == there


def test_a_closer_look_knows_how_many_records_it_rests_on(written: Written) -> None:
    """What was lost is told as a part of these; without them it would be all."""
    looked_at = 0
    for site in sites(written):
        case = build_case([written.store], read_profile(site), effort=BY_SUMS)
        for part in case.parts:
            assert part.coverage.records >= len(part.flows) > 0
            looked_at += 1
    assert looked_at
