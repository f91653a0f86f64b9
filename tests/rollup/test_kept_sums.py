"""Questions about days whose flows have gone because of their age."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from flowdiag.aggregator.top_ranking import Request
from flowdiag.collector.store.finding import find_files
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.retention import retain
from flowdiag.durations import DAY_MS
from flowdiag.errors import UsageError
from flowdiag.export_ranking import rank_export
from flowdiag.export_usage import report_usage
from flowdiag.long_times import Effort
from flowdiag.pipeline import run
from flowdiag.scenario.stored_days import Written, write_portfolio
from flowdiag.site.profile import Profile
from flowdiag.site.reading import read_profile
from flowdiag.text.wording.coverage import told
from tests.rollup.stores import OF_ALL

FIRST = datetime(2026, 3, 2, tzinfo=UTC)
GONE = {"window_from": "2026-03-02T00:00:00Z", "window_to": "2026-03-04T00:00:00Z"}
FIGURES = Effort(worth_octets=0, who=False)


@pytest.fixture
def written(tmp_path: Path) -> Written:
    return write_portfolio(tmp_path, 1, FIRST, 5, roller=OF_ALL)


def profile_of(written: Written) -> Profile:
    return read_profile(next(written.sites.iterdir()))


def drop(written: Written) -> None:
    backend = open_backend(written.store)
    today = round(FIRST.timestamp() * 1000) // DAY_MS + 4
    dropped = retain(backend, 2, today, rollup_days=400, roller=OF_ALL)
    assert len(dropped) == 3
    assert {file.partition.day for file in find_files(backend)} == {today - 1, today}


def test_usage_of_days_without_flows_is_that_of_their_sums(written: Written) -> None:
    profile = profile_of(written)
    before = report_usage([written.store], profile, effort=FIGURES, **GONE)
    drop(written)
    after = report_usage([written.store], profile, **GONE)
    for one, other in zip(before.links, after.links, strict=True):
        assert one.mbps.tolist() == other.mbps.tolist()
        assert one.figures.octets == other.figures.octets
    assert "Of 2 days the flows are no longer kept: what is said of them rests on sums alone." in told(
        after.remarks
    )


def test_a_question_over_kept_and_dropped_days_has_both(written: Written) -> None:
    profile = profile_of(written)
    before = report_usage([written.store], profile, effort=FIGURES)
    drop(written)
    after = report_usage([written.store], profile)
    for one, other in zip(before.links, after.links, strict=True):
        assert one.mbps.tolist() == other.mbps.tolist()


def test_rankings_of_days_without_flows_are_those_of_their_hours(written: Written) -> None:
    profile = profile_of(written)
    request = Request("talkers", **GONE)
    before = rank_export([written.store], profile, request, cheap_rows=0)
    drop(written)
    after = rank_export([written.store], profile, request)
    assert [row.key for row in after.whole.rows[:5]] == [row.key for row in before.whole.rows[:5]]
    for one, other in zip(before.whole.rows[:5], after.whole.rows[:5], strict=True):
        assert other.octets == pytest.approx(
            one.octets, rel=0.03
        )  # what was folded in the hours at both ends
    assert any("no longer kept" in line for line in told(after.remarks))


def test_a_diagnosis_of_days_without_flows_says_what_it_rests_on(written: Written) -> None:
    profile = profile_of(written)
    before = run([written.store], profile, effort=None, **GONE)
    drop(written)
    after = run([written.store], profile, **GONE)
    assert after.verdict.code == before.verdict.code
    assert [(link.name, link.down.octets) for link in after.links] == [
        (link.name, link.down.octets) for link in before.links
    ]
    assert any("no longer kept" in line for line in told(after.case.coverage.remarks))


def test_a_short_time_without_flows_is_not_guessed(written: Written) -> None:
    profile = profile_of(written)
    drop(written)
    with pytest.raises(UsageError, match="no longer in the store"):
        run([written.store], profile, window_from="2026-03-02T10:00:00Z", window_to="2026-03-02T10:20:00Z")
