"""What is kept of the newest files is what reading all of them gives, whatever is added or merged meanwhile."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowdiag.collector.store.finding import find_files
from flowdiag.collector.store.folder import Folder
from flowdiag.collector.store.upkeep import compact
from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.site.reading import read_profile
from flowdiag.watch import recent_flows as module
from flowdiag.watch.look import look
from flowdiag.watch.recent_flows import recent_flows
from tests.benchmarks import live_store
from tests.benchmarks.live_store import LiveStore

FRESH = 6


@pytest.fixture
def store(tmp_path: Path) -> LiveStore:
    return live_store.make(tmp_path / "live", 2, fresh=FRESH)


def hold_against_all(store: LiveStore) -> list[int]:
    """Each site's look with what is kept, and the same with nothing kept; gives how many records are kept of each."""
    rows = []
    backend = Folder(store.flows)
    for file in sorted(store.profiles.glob("*.toml")):
        profile = read_profile(file)
        exporters = profile.site.exporter_octets
        files = find_files(backend, exporters, (store.now_ms - DAY_MS, None))
        begin_ms = store.now_ms - 2 * HOUR_MS
        with_kept = recent_flows(backend, exporters, files, begin_ms)
        state = look(store.flows, profile, store.now_ms)
        kept = dict(module._kept)
        module._kept.clear()
        anew = recent_flows(backend, exporters, files, begin_ms)
        assert with_kept[0].equals(anew[0])
        assert with_kept[1] == anew[1]
        module._kept.clear()
        again = look(store.flows, profile, store.now_ms)
        assert state is not None
        assert again is not None
        assert state.state == again.state
        module._kept.update(kept)
        rows.append(with_kept[0].num_rows)
    return rows


def test_what_is_kept_is_what_is_read(store: LiveStore) -> None:
    module._kept.clear()
    assert all(hold_against_all(store))
    for later in live_store.further(store, 2):
        hold_against_all(later)
        store = later
    compact(Folder(store.flows))
    assert all(hold_against_all(store))


def test_only_what_is_new_is_read(store: LiveStore, monkeypatch: pytest.MonkeyPatch) -> None:
    module._kept.clear()
    hold_against_all(store)
    read: list[int] = []
    before = module._read
    monkeypatch.setattr(
        module, "_read", lambda b, files, kept: read.append(len(files)) or before(b, files, kept)
    )
    (later,) = live_store.further(store, 1)
    profile = read_profile(sorted(store.profiles.glob("*.toml"))[0])
    look(later.flows, profile, later.now_ms)
    assert read == [1]
    look(later.flows, profile, later.now_ms + MINUTE_MS)
    assert read == [1, 0]


def test_records_that_are_kept_are_bounded(store: LiveStore, monkeypatch: pytest.MonkeyPatch) -> None:
    module._kept.clear()
    monkeypatch.setattr(module, "MOST_KEPT", 1)
    hold_against_all(store)
    assert sum(kept.rows for kept in module._kept.values()) <= 1
