"""Ingesting: once, in parallel as one after another, what is damaged beside what is sound, writers at the same time."""

from __future__ import annotations

import gzip
import io
import multiprocessing
import sys
from pathlib import Path
from typing import Any

import pytest

from flowdiag.collector.export import open_export, read_export
from flowdiag.collector.store import folder as folder_place
from flowdiag.collector.store.ingest import ingest
from flowdiag.collector.store.opening import open_backend
from flowdiag.errors import ExportError, StoreError, UsageError
from tests.collector.store.captures import exports, rotated, stored


def states(*arguments: Any, **more: Any) -> list[tuple[str, int]]:
    return [(done.state, done.records) for done in ingest(*arguments, **more)]


def same_rows(store: Path, *paths: Path) -> bool:
    """Whether a store holds what the exports hold, in whatever order."""
    kept, read = read_export(store), read_export(list(paths))
    order = [(name, "ascending") for name in ("end", "start", "src_port", "dst_port", "octets", "packets")]
    return bool(kept.sort_by(order).equals(read.sort_by(order))) and kept.num_rows > 0


def test_a_second_run_adds_nothing_whatever_the_file_is_called_or_packed_in(tmp_path: Path) -> None:
    (export,) = exports(tmp_path / "exports", 1)
    store = tmp_path / "flows"
    assert states([export], store) == [("added", 3_000)]
    before = stored(store)
    assert states([export], store) == [("known", 0)]
    packed = tmp_path / "renamed.gz"
    packed.write_bytes(gzip.compress(export.read_bytes()))
    assert states([packed], store) == [("known", 0)]
    export.rename(tmp_path / "moved")
    assert states([tmp_path / "moved", packed], store) == [("known", 0), ("known", 0)]
    assert stored(store) == before
    assert same_rows(store, tmp_path / "moved")


def test_of_two_files_with_one_content_one_is_added(tmp_path: Path) -> None:
    (export,) = exports(tmp_path / "exports", 1)
    copy = tmp_path / "exports" / "copy"
    copy.write_bytes(export.read_bytes())
    assert states([tmp_path / "exports"], tmp_path / "flows") == [("added", 3_000), ("known", 0)]


def test_several_processes_give_the_same_octets_as_one(tmp_path: Path) -> None:
    exports(tmp_path / "exports", 3)
    rotated(tmp_path / "capture", 5_000, 3)
    paths = [tmp_path / "exports", tmp_path / "capture"]
    assert ingest(paths, tmp_path / "one") == ingest(paths, tmp_path / "two", jobs=2)
    assert stored(tmp_path / "one") == stored(tmp_path / "two")
    assert len(stored(tmp_path / "one")) >= 6


def test_parts_of_a_capture_are_decoded_by_themselves_and_lose_nothing(tmp_path: Path) -> None:
    parts = rotated(tmp_path / "capture", 10_000, 4)
    assert (
        sum(records for _, records in states(parts, tmp_path / "flows", jobs=2)) == 10_008
    )  # whole messages
    kept, read = open_export(tmp_path / "flows"), open_export(parts)
    rows = [sum(batch.num_rows for batch in export.batches()) for export in (kept, read)]
    assert rows == [10_008, 10_008]
    for export in (kept, read):
        (session,) = export.report.sessions
        assert (session.lost_messages, session.undecoded_records) == (0, 0)
    assert kept.report.heard_minutes == read.report.heard_minutes
    assert same_rows(tmp_path / "flows", *parts)


def test_a_missing_part_of_a_capture_is_told_as_loss_once(tmp_path: Path) -> None:
    first, second, third = rotated(tmp_path / "capture", 7_200, 3)
    missing = read_export([first, second]).num_rows - read_export(first).num_rows
    second.unlink()
    ingest([first, third], tmp_path / "flows", jobs=2)
    export = open_export(tmp_path / "flows")
    list(export.batches())
    (session,) = export.report.sessions
    # NetFlow v9 counts messages (RFC 3954 5.1); how many records they held is an estimate.
    assert session.lost_messages == missing / 24
    assert session.lost_records == pytest.approx(missing, rel=0.01)


def test_what_is_damaged_in_a_folder_is_left_out_and_the_rest_is_added(tmp_path: Path) -> None:
    exports(tmp_path / "exports", 2)
    (tmp_path / "exports" / "noise").write_bytes(b"\xff" * 500)
    done = ingest([tmp_path / "exports"], tmp_path / "flows", jobs=2)
    assert [(Path(o.name).name, o.state) for o in done] == [
        ("1.ipfix", "added"),
        ("2.ipfix", "added"),
        ("noise", "left out"),
    ]
    assert "this is not a flow export" in str(done[2].error)
    assert read_export(tmp_path / "flows").num_rows == 6_000


def test_what_is_damaged_and_named_is_an_error_and_the_rest_is_added(tmp_path: Path) -> None:
    (export,) = exports(tmp_path / "exports", 1)
    (tmp_path / "noise").write_bytes(b"\xff" * 500)
    done = ingest([tmp_path / "noise", export], tmp_path / "flows")
    assert [outcome.state for outcome in done] == ["failed", "added"]
    assert "noise at octet 0: this is not a flow export" in str(done[0].error)


def test_a_file_that_was_cut_short_is_kept_as_far_as_it_goes(tmp_path: Path) -> None:
    (export,) = exports(tmp_path / "exports", 1)
    export.write_bytes(export.read_bytes()[:-700])
    (done,) = ingest([export], tmp_path / "flows")
    assert (done.state, done.records, done.problems) == ("added", 3_000 - 24, 1)
    assert same_rows(tmp_path / "flows", export)


def test_a_path_that_is_not_there_is_an_error_before_a_store_is_made(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="no such file"):
        ingest([tmp_path / "none"], tmp_path / "flows")
    assert not (tmp_path / "flows").exists()


def test_a_store_is_no_export_to_add(tmp_path: Path) -> None:
    (export,) = exports(tmp_path / "exports", 1)
    ingest([export], tmp_path / "flows")
    with pytest.raises(UsageError, match="is a flow store"):
        ingest([tmp_path / "flows"], tmp_path / "other")


def test_standard_input_is_added_and_known_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (export,) = exports(tmp_path / "exports", 1)

    class Input:
        buffer = io.BytesIO(export.read_bytes())

    monkeypatch.setattr(sys, "stdin", Input())
    assert states(["-"], tmp_path / "flows") == [("added", 3_000)]
    assert states([export], tmp_path / "flows") == [("known", 0)]


@pytest.mark.parametrize("jobs", [1, 2])
def test_progress_grows_and_ends_at_the_end(tmp_path: Path, jobs: int) -> None:
    first, second, third = exports(tmp_path / "exports", 3)
    ingest([first], tmp_path / "flows")
    (tmp_path / "exports" / "noise").write_bytes(b"\xff" * 500)
    told: list[tuple[int, int]] = []
    ingest(
        [tmp_path / "exports"],
        tmp_path / "flows",
        jobs=jobs,
        progress=lambda done, total: told.append((done, total)),
    )
    assert [done for done, _ in told] == sorted(done for done, _ in told)
    # Each is read to know it, and those that are new to decode them.
    fresh = second.stat().st_size + third.stat().st_size
    assert told[-1] == (first.stat().st_size + 500 + 2 * fresh,) * 2
    assert len(told) >= 4


def _ingest_at_once(barrier: Any, paths: list[Path], store: Path, results: Any) -> None:
    barrier.wait(60)
    results.put([done.records for done in ingest(paths, store)])


def at_once(store: Path, *writers: list[Path]) -> list[list[int]]:
    """Several processes that begin to ingest at the same moment."""
    context = multiprocessing.get_context("spawn")
    barrier, results = context.Barrier(len(writers)), context.Queue()
    processes = [
        context.Process(target=_ingest_at_once, args=(barrier, paths, store, results)) for paths in writers
    ]
    for process in processes:
        process.start()
    told = [results.get(timeout=60) for _ in processes]
    for process in processes:
        process.join(60)
    return told


def test_two_writers_of_the_same_exports_add_each_once(tmp_path: Path) -> None:
    paths = exports(tmp_path / "exports", 4)
    told = at_once(tmp_path / "flows", paths, paths)
    assert [sum(pair) for pair in zip(*told, strict=True)] == [3_000] * 4
    assert same_rows(tmp_path / "flows", *paths)
    assert not list((tmp_path / "flows" / "_flowdiag" / "aside").rglob("*.parquet"))


def test_two_writers_of_different_exports_add_all(tmp_path: Path) -> None:
    paths = exports(tmp_path / "exports", 4)
    at_once(tmp_path / "flows", paths[:2], paths[2:])
    assert same_rows(tmp_path / "flows", *paths)


def test_a_writer_that_hangs_with_the_lock_is_told_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (export,) = exports(tmp_path / "exports", 1)
    ingest([export], tmp_path / "flows")
    monkeypatch.setattr(folder_place, "LOCK_PATIENCE_S", 0.1)
    with (
        open_backend(tmp_path / "flows").writing(),
        pytest.raises(StoreError, match="another process has been writing to the store"),
    ):
        ingest([export], tmp_path / "flows")
    assert states([export], tmp_path / "flows") == [("known", 0)]
