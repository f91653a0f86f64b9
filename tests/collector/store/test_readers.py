"""Whoever reads while days are merged or dropped gets the whole answer of one state, and no error."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from flowdiag import query_plan as question
from flowdiag.collector.export import open_export
from flowdiag.collector.store import opening
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.retention import retain
from flowdiag.collector.store.upkeep import compact
from flowdiag.errors import StoreError
from flowdiag.review.flow_days import FlowDays
from flowdiag.review.site_partials import SiteHistory, site_history
from flowdiag.scenario.portfolio import portfolio_site
from tests.collector.store.building import (
    ALL,
    DAY,
    DAYS,
    FIRST_DAY,
    STRETCHES,
    files_in,
    in_many_files,
    octets_in,
)
from tests.collector.store.test_upkeep import Disturbed
from tests.review.portfolios import FIRST, FIRST_MS, profile_of, small

PATIENCE_S = 60.0


@pytest.fixture
def backend(tmp_path: Path) -> StorageBackend:
    return in_many_files(tmp_path / "flows")


CHANGES: dict[str, tuple[Callable[[StorageBackend], object], list[int]]] = {
    "merge": (lambda backend: compact(backend, patience_s=PATIENCE_S), ALL),
    "drop": (
        lambda backend: retain(backend, 1, FIRST_DAY + DAYS - 1, patience_s=PATIENCE_S),
        ALL[-STRETCHES:],
    ),
}


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("scanned", [0, 1, 5, 11])
def test_a_scan_that_has_begun_is_answered_whole_and_the_change_happens_after_it(
    backend: StorageBackend, tmp_path: Path, change: str, scanned: int
) -> None:
    change_store, left = CHANGES[change]
    changer = threading.Thread(target=change_store, args=(open_backend(tmp_path / "flows"),))
    before = len(files_in(tmp_path / "flows"))
    read: list[int] = []
    for count, taken in enumerate(open_export(tmp_path / "flows").batches()):
        if count == scanned:
            changer.start()
            changer.join(0.1)  # it gets as far as it can
            assert changer.is_alive()
        read += taken["octets"].to_pylist()
    changer.join(PATIENCE_S)
    assert not changer.is_alive()
    assert read == ALL
    assert octets_in(tmp_path / "flows") == left
    assert len(files_in(tmp_path / "flows")) < before


@pytest.mark.parametrize("change", CHANGES)
def test_readers_one_after_another_see_one_state_or_the_other(
    backend: StorageBackend, tmp_path: Path, change: str
) -> None:
    change_store, left = CHANGES[change]
    changed = threading.Event()

    def disturb() -> None:
        change_store(open_backend(tmp_path / "flows"))
        changed.set()

    changer = threading.Thread(target=disturb)
    changer.start()
    answers = [octets_in(tmp_path / "flows")]
    while not changed.is_set():
        answers.append(octets_in(tmp_path / "flows"))
    changer.join()
    answers.append(octets_in(tmp_path / "flows"))
    assert all(answer in (ALL, left) for answer in answers)
    assert answers[-1] == left


@pytest.mark.parametrize("opened", range(1, 14, 3))
def test_what_a_question_needs_is_found_out_undisturbed(
    backend: StorageBackend, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, opened: int
) -> None:
    """The days of a window, and how much is read around it, are told by the files: were they gone, others would be."""
    store, merged = tmp_path / "flows", list[int]()
    disturbed: Any = Disturbed(backend, opened, lambda: merged.append(len(compact(open_backend(store)))))

    def asked(where: Any) -> question.Plan:
        monkeypatch.setattr(opening, "open_backend", lambda _: where)
        return question.plan([store], "2026-03-03T00:00", "2026-03-03T00:30", "UTC", context=True)

    assert asked(disturbed) == asked(backend)
    assert merged == [0]  # it left the store to whoever asks


def test_a_review_is_of_one_state_of_the_store(tmp_path: Path) -> None:
    small(tmp_path)
    profile = profile_of(portfolio_site(0, FIRST, 3, 1))
    store, today = tmp_path / "flows", FIRST_MS // DAY + 2

    def drop() -> None:
        with pytest.raises(StoreError, match="nothing was dropped"):
            retain(open_backend(store), 1, today, patience_s=0.0)

    def reviewed(disturb: Callable[[], object]) -> SiteHistory:
        days = FlowDays(str(store))
        disturbed: Any = Disturbed(days.backend, 1, disturb)
        days.backend = disturbed
        return site_history(days, profile, FIRST_MS, FIRST_MS + 3 * DAY, keep=False)

    found, undisturbed = reviewed(drop), reviewed(lambda: None)
    assert (found.problems, found.made) == ((), 3)
    assert found.partial.records == undisturbed.partial.records > 0
    assert retain(open_backend(store), 1, today)
