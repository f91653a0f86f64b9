"""A store is for its owner and the owner's group, whatever the umask."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest

from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.ingest import ingest
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.upkeep import compact
from flowdiag.modes import FILE_MODE, FOLDER_MODE, make_folder
from tests.collector.modes import modes_below, umask
from tests.collector.store.captures import exports

MASKS = [0, 0o022, 0o027, 0o077, 0o277]
OURS = {"folders": {0o750}, "files": {0o640}}


def test_the_modes_are_the_ones_that_are_documented() -> None:
    assert (FOLDER_MODE, FILE_MODE) == (0o750, 0o640)


@pytest.mark.parametrize("mask", MASKS, ids=oct)
def test_all_of_a_store_is_for_owner_and_group(tmp_path: Path, mask: int) -> None:
    paths = exports(tmp_path / "exports", 2, 300)
    store = tmp_path / "above" / "flows"
    with umask(mask):
        ingest(paths, store)
        assert compact(open_backend(store))
    assert modes_below(tmp_path / "above") == OURS
    assert {path.name for path in (store / "_flowdiag").iterdir()} >= {
        "store.json", "journal.json", "writing.lock", "reading.lock", "ingested",
    }  # fmt: skip


def test_a_folder_that_is_there_keeps_the_mode_that_somebody_gave_it(tmp_path: Path) -> None:
    store = tmp_path / "flows"
    store.mkdir(0o700)
    store.chmod(0o700)
    make_store(open_backend(store))
    assert stat.S_IMODE(store.stat().st_mode) == 0o700
    assert modes_below(store / "_flowdiag") == OURS


def test_a_store_that_a_group_shares_stays_with_the_group(tmp_path: Path) -> None:
    (tmp_path / "shared").mkdir()
    (tmp_path / "shared").chmod(0o2770)
    make_folder(tmp_path / "shared" / "flows" / "day")
    assert modes_below(tmp_path / "shared" / "flows")["folders"] == {0o2750}


def test_what_is_no_folder_is_not_taken_for_one(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(FileExistsError):
        make_folder(tmp_path / "file")
    with pytest.raises(NotADirectoryError):
        make_folder(tmp_path / "file" / "below")
