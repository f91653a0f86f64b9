"""A bucket keeps nobody out: a question that misses a file is asked anew, and answered by one state of the store."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from pyarrow.fs import LocalFileSystem

from flowdiag.aggregator.top_ranking import Request
from flowdiag.collector.store import opening
from flowdiag.collector.store.asking import TIMES, asked_again
from flowdiag.collector.store.objects import Objects
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.retention import retain
from flowdiag.collector.store.upkeep import compact
from flowdiag.errors import StoreChanged
from flowdiag.export_ranking import rank_export
from flowdiag.inspection import inspect_export
from flowdiag.review.flow_days import FlowDays
from flowdiag.review.site_partials import SiteHistory, site_history
from flowdiag.scenario.portfolio import portfolio_site
from tests.collector.store.building import ALL, DAY, DAYS, in_many_files
from tests.collector.store.test_upkeep import Disturbed
from tests.review.portfolios import FIRST, FIRST_MS, profile_of, small


def like_a_bucket(store: Path, opened: int, disturb: Callable[[], object]) -> Any:
    """A store in a folder as one in a bucket is used: without its locks. Somebody does something before the n-th file is
    opened."""
    return Disturbed(Objects(str(store), LocalFileSystem(), str(store)), opened, disturb)  # type: ignore[arg-type]


def inspected(store: Path) -> tuple[int, int]:
    found = inspect_export([store])
    return found.records, found.octets_scaled


def ranked(store: Path) -> tuple[int, int]:
    """The flows and octets of a window that touches all days; its plan opens files too."""
    window = "2026-03-02T00:00Z", "2026-03-05T00:00Z"
    whole = rank_export([store], None, Request("talkers", window_from=window[0], window_to=window[1])).whole
    return whole.total_flows, whole.total_octets


@pytest.mark.parametrize("question", [inspected, ranked])
@pytest.mark.parametrize("opened", [1, 2, 6, 12, 13, 20])
def test_a_question_is_answered_whole_while_days_are_merged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, question: Callable[[Path], tuple[int, int]], opened: int
) -> None:
    store = tmp_path / "flows"
    backend = in_many_files(store)
    merged: list[int] = []
    bucket = like_a_bucket(store, opened, lambda: merged.append(len(compact(backend))))
    monkeypatch.setattr(opening, "open_backend", lambda _: bucket)
    assert question(store) == (len(ALL), sum(ALL))
    assert merged in ([], [DAYS])
    assert merged or opened > len(ALL)


def test_a_review_is_made_anew_when_days_go_meanwhile(tmp_path: Path) -> None:
    small(tmp_path)
    store, today = tmp_path / "flows", FIRST_MS // DAY + 2
    dropped: list[int] = []

    def drop() -> None:
        dropped.append(len(retain(open_backend(store), 1, today)))

    def reviewed(backend: Any) -> SiteHistory:
        days = FlowDays(str(store))
        days.backend = backend
        profile = profile_of(portfolio_site(0, FIRST, 3, 1))
        return site_history(days, profile, FIRST_MS, FIRST_MS + 3 * DAY, keep=False)

    found = reviewed(like_a_bucket(store, 2, drop))
    assert dropped[0] > 0
    assert (found.problems, found.made) == ((), 1)
    assert found.partial.records == reviewed(open_backend(store)).partial.records > 0


@pytest.mark.parametrize("failures", range(TIMES + 1))
def test_it_is_asked_three_times_at_most(failures: int) -> None:
    asked: list[str] = []

    @asked_again
    def question(word: str, *, more: str) -> str:
        asked.append(word)
        if len(asked) <= failures:
            raise StoreChanged("flows/day")
        return word + more

    if failures < TIMES:
        assert question("what", more="ever") == "whatever"
    else:
        with pytest.raises(StoreChanged, match="the store changed while it was read"):
            question("what", more="ever")
    assert len(asked) == min(failures + 1, TIMES)
