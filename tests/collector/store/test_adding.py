"""Adding to a store: whole, once, and in the layout that other tools read."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest

from flowdiag.collector.export import open_export
from flowdiag.collector.store.adding import is_added
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.finding import find_files
from flowdiag.collector.store.layout import Partition
from flowdiag.collector.store.opening import open_backend
from flowdiag.errors import StoreError
from tests.collector.store.building import (
    DAY,
    FIRST_DAY,
    START,
    A,
    B,
    add_stretch,
    batch,
    content,
    files_in,
    flow,
    octets_in,
    report,
)


@pytest.fixture
def backend(tmp_path: Path) -> StorageBackend:
    backend = open_backend(tmp_path / "flows")
    make_store(backend)
    return backend


def test_a_stretch_is_stored_by_exporter_and_utc_day_of_its_flows_ends(
    backend: StorageBackend, tmp_path: Path
) -> None:
    midnight = START + DAY
    flows = batch(flow(1), flow(2, exporter=B), flow(3, midnight - 1), flow(4, midnight))
    assert add_stretch(backend, content("first"), [flows], report(4), START)
    assert [path.rpartition("/")[0] for path in files_in(tmp_path / "flows")] == [
        "exporter=192.0.2.1/day=2026-03-02",
        "exporter=192.0.2.1/day=2026-03-03",
        "exporter=192.0.2.2/day=2026-03-02",
    ]
    assert octets_in(tmp_path / "flows") == [1, 3, 4, 2]


def test_the_same_content_is_added_once(backend: StorageBackend, tmp_path: Path) -> None:
    for expected in (True, False, False):
        assert add_stretch(backend, content("first"), [batch(flow(1))], report(1), START) is expected
    assert is_added(backend, content("first").digest)
    assert octets_in(tmp_path / "flows") == [1]


def test_stretches_are_read_in_order_of_their_time(backend: StorageBackend, tmp_path: Path) -> None:
    add_stretch(backend, content("later"), [batch(flow(2))], report(1), START + 60_000)
    add_stretch(backend, content("earlier"), [batch(flow(1))], report(1), START)
    assert octets_in(tmp_path / "flows") == [1, 2]


def test_reports_of_stretches_add_up(backend: StorageBackend, tmp_path: Path) -> None:
    for number in range(3):
        add_stretch(backend, content(str(number)), [batch(flow(number))], report(10, lost=4), START + number)
    export = open_export(tmp_path / "flows")
    list(export.batches())
    (session,) = export.report.sessions
    assert (session.messages, session.lost_records, session.records) == (30, 12, 3)
    assert sum(loss.records for loss in export.report.losses) == 12


def test_a_stretch_without_flows_still_tells_that_its_exporter_was_heard(
    backend: StorageBackend, tmp_path: Path
) -> None:
    assert add_stretch(backend, content("silent"), [], report(5), START)
    export = open_export(tmp_path / "flows")
    assert list(export.batches()) == []
    assert export.report.heard_minutes == {A: {START // 60_000}}


def test_two_that_add_the_same_at_the_same_moment_add_it_once(
    backend: StorageBackend, tmp_path: Path
) -> None:
    results = []
    together = threading.Barrier(4)

    def add() -> None:
        together.wait()
        results.append(add_stretch(backend, content("one"), [batch(flow(1), flow(2))], report(2), START))

    threads = [threading.Thread(target=add) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(results) == [False, False, False, True]
    assert octets_in(tmp_path / "flows") == [1, 2]
    assert not any((tmp_path / "flows/_flowdiag/aside").rglob("*.parquet"))


def test_what_cannot_be_decoded_to_the_end_is_not_added(backend: StorageBackend, tmp_path: Path) -> None:
    def broken() -> Iterator[pa.RecordBatch]:
        yield batch(flow(1))
        raise RuntimeError("a fault of the decoder")

    with pytest.raises(RuntimeError):
        add_stretch(backend, content("broken"), broken(), report(1), START)
    assert files_in(tmp_path / "flows") == []
    assert not any((tmp_path / "flows/_flowdiag/aside").rglob("*.parquet"))
    assert not is_added(backend, content("broken").digest)


def test_files_of_one_exporter_and_day_are_found_by_their_folders(backend: StorageBackend) -> None:
    flows = batch(flow(1), flow(2, exporter=B), flow(3, START + 2 * DAY))
    add_stretch(backend, content("first"), [flows], report(3), START)
    assert [file.partition for file in find_files(backend, {A})] == [
        Partition(A, FIRST_DAY),
        Partition(A, FIRST_DAY + 2),
    ]
    span = START + 2 * DAY, START + 3 * DAY
    assert [file.partition for file in find_files(backend, {A, B}, span)] == [Partition(A, FIRST_DAY + 2)]


def test_files_are_zstd_parquet_that_arrow_opens_as_one_hive_dataset(
    backend: StorageBackend, tmp_path: Path
) -> None:
    flows = batch(flow(1), flow(2, exporter=B), flow(3, START + DAY))
    add_stretch(backend, content("first"), [flows], report(3), START)
    for path in files_in(tmp_path / "flows"):
        group = pq.ParquetFile(tmp_path / "flows" / path).metadata.row_group(0)
        assert {group.column(number).compression for number in range(group.num_columns)} == {"ZSTD"}
    table = ds.dataset(tmp_path / "flows", format="parquet", partitioning="hive").to_table()
    rows = zip(
        table["exporter"].to_pylist(), table["day"].to_pylist(), table["octets"].to_pylist(), strict=True
    )
    assert sorted((exporter, str(day), octets) for exporter, day, octets in rows) == [
        ("192.0.2.1", "2026-03-02", 1),
        ("192.0.2.1", "2026-03-03", 3),
        ("192.0.2.2", "2026-03-02", 2),
    ]


def test_a_folder_of_other_things_does_not_become_a_store(tmp_path: Path) -> None:
    (tmp_path / "captures").mkdir()
    (tmp_path / "captures" / "a.pcap").write_bytes(b"")
    with pytest.raises(StoreError, match=r"captures: the folder holds other things \('a.pcap'\)"):
        make_store(open_backend(tmp_path / "captures"))
    assert [path.name for path in (tmp_path / "captures").iterdir()] == ["a.pcap"]
