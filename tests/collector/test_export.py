"""Whole exports: files, folders, standard input, filters. Figures are those written into the packets."""

from __future__ import annotations

import gzip
import io
import os
import sys
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import flowdiag
from flowdiag.addresses import V4_PREFIX
from flowdiag.collector.export import open_export, read_export
from flowdiag.collector.readers.stored_flows import flow_metadata
from flowdiag.errors import ExportError
from flowdiag.flows import FLOW_SCHEMA
from tests.collector.readers.builders import frame, pcap
from tests.collector.v5_flows import Flow, packet

EXPORTER = V4_PREFIX + bytes([192, 0, 2, 1])
OTHER = V4_PREFIX + bytes([192, 0, 2, 99])
DAMAGED = b"\xff" * 500


def octets_of(*paths: Path | str) -> list[int]:
    return read_export(list(paths))["octets"].to_pylist()


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    file = tmp_path / "capture"
    file.write_bytes(pcap([frame(packet([Flow(100), Flow(200)])), frame(packet([Flow(300)], 2))]))
    return file


@pytest.fixture
def raw(tmp_path: Path) -> Path:
    file = tmp_path / "raw"
    file.write_bytes(packet([Flow(1_000)]))
    return file


def test_the_table_is_exactly_the_flow_table(capture: Path) -> None:
    table = flowdiag.read_export(capture)
    assert table.schema.equals(FLOW_SCHEMA, check_metadata=True)
    assert table["octets"].to_pylist() == [100, 200, 300]
    assert set(table["exporter"].to_pylist()) == {EXPORTER}


def test_one_path_may_be_text_or_a_path_or_a_list(capture: Path) -> None:
    assert read_export(str(capture)).equals(read_export([capture]))


def test_several_paths_are_read_in_the_order_given(capture: Path, raw: Path) -> None:
    assert octets_of(raw, capture) == [1_000, 100, 200, 300]


def test_two_files_of_messages_are_two_sessions(raw: Path) -> None:
    # In one session the second packet would be a copy of the first and count once.
    assert octets_of(raw, raw) == [1_000, 1_000]


def test_standard_input_is_a_dash(raw: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Input:
        buffer = io.BytesIO(gzip.compress(raw.read_bytes()))

    monkeypatch.setattr(sys, "stdin", Input())
    assert octets_of("-") == [1_000]


def test_a_folder_is_read_as_far_as_it_is_usable(capture: Path, raw: Path, tmp_path: Path) -> None:
    (tmp_path / "noise").write_bytes(DAMAGED)
    (tmp_path / "empty").write_bytes(b"")
    (tmp_path / "site.toml").write_text('[site]\nname = "Harbour Lane"\n')
    export = open_export(tmp_path)
    assert sum(batch.num_rows for batch in export.batches()) == 4
    assert [(p.file, p.what) for p in export.report.problems] == [
        (str(tmp_path / "empty"), "left out: the file is empty"),
        (str(tmp_path / "noise"), "left out: this is not a flow export"),
    ]


def test_a_folder_without_a_usable_file_is_one_clear_error(tmp_path: Path) -> None:
    (tmp_path / "noise").write_bytes(DAMAGED)
    with pytest.raises(ExportError, match=r"noise at octet 0: this is not a flow export"):
        read_export(tmp_path)


def test_an_unusable_file_that_was_named_is_an_error_whatever_stands_beside_it(
    capture: Path, tmp_path: Path
) -> None:
    (tmp_path / "noise").write_bytes(DAMAGED)
    with pytest.raises(ExportError, match="noise"):
        octets_of(capture, tmp_path / "noise")


def test_a_capture_without_exports_is_an_error_alone_and_a_problem_beside_others(
    capture: Path, tmp_path: Path
) -> None:
    barren = tmp_path / "barren"
    barren.write_bytes(pcap([frame(b"some other traffic")]))
    with pytest.raises(ExportError) as raised:
        octets_of(barren)
    assert str(raised.value) == (
        f"{barren}: the capture holds no flow export message; expected IPFIX, NetFlow v9 or NetFlow v5; "
        "capture where the router's export arrives, and check that the router exports"
    )
    export = open_export([barren, capture])
    assert sum(batch.num_rows for batch in export.batches()) == 3
    assert "left out: the capture holds no flow export message" in [p.what for p in export.report.problems]


def test_a_capture_of_cut_packets_says_what_to_do(tmp_path: Path) -> None:
    cut = tmp_path / "cut"
    cut.write_bytes(pcap([frame(packet([Flow(1)]))], snap_length=80))
    with pytest.raises(ExportError, match=r"no whole flow export message.*capture whole packets"):
        octets_of(cut)


def test_a_file_that_ends_inside_its_first_message_is_an_error(raw: Path) -> None:
    raw.write_bytes(raw.read_bytes()[:-1])
    with pytest.raises(ExportError, match="holds no flow export message"):
        octets_of(raw)


def test_a_missing_path_is_an_error_before_anything_is_read(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="no such file"):
        open_export(tmp_path / "none")


def test_a_file_that_may_not_be_read_is_one_clear_error(tmp_path: Path) -> None:
    socket = tmp_path / "loop"
    socket.symlink_to(socket)
    with pytest.raises(ExportError, match="cannot be read"):
        open_export(socket)


def test_other_exporters_can_be_left_out(capture: Path) -> None:
    export = open_export(capture, exporters=[EXPORTER])
    assert sum(batch.num_rows for batch in export.batches()) == 3
    assert export.report.notes == []


def test_an_export_of_other_exporters_only_is_one_clear_error(capture: Path) -> None:
    with pytest.raises(ExportError, match=r"nothing in the export comes from the exporters asked for"):
        list(open_export(capture, exporters=[OTHER]).batches())


def test_what_other_exporters_sent_is_counted(capture: Path, raw: Path) -> None:
    # The raw file does not tell its exporter and is always taken.
    export = open_export([capture, raw], exporters=[OTHER])
    assert sum(batch.num_rows for batch in export.batches()) == 1
    assert export.report.notes == ["2 messages or records of other exporters were left out"]


def test_a_flow_table_is_read_back_scaled_or_as_exported(tmp_path: Path, capture: Path) -> None:
    table = read_export(capture)
    tens = pa.array([10] * table.num_rows, pa.uint32())
    table = table.set_column(FLOW_SCHEMA.get_field_index("sampling"), FLOW_SCHEMA.field("sampling"), tens)
    file = tmp_path / "table"
    pq.write_table(table.replace_schema_metadata(flow_metadata()), file)
    assert octets_of(file) == [100, 200, 300]
    export = open_export(file, scale=False)
    assert [o for batch in export.batches() for o in batch["octets"].to_pylist()] == [10, 20, 30]
    assert [(s.records, s.octets, s.octets_scaled) for s in export.report.sessions] == [(3, 60, 600)]
    filtered = open_export([file, capture], exporters=[OTHER, EXPORTER])
    assert sum(batch.num_rows for batch in filtered.batches()) == 6


def test_a_foreign_table_is_one_clear_error(tmp_path: Path) -> None:
    file = tmp_path / "table"
    pq.write_table(pa.table({"a": [1]}), file)
    with pytest.raises(ExportError, match="a Parquet file that flowdiag did not write"):
        read_export(file)


def test_progress_ends_at_the_size_of_all_files(capture: Path, raw: Path) -> None:
    told: list[tuple[int, int]] = []
    list(open_export([capture, raw], progress=lambda done, total: told.append((done, total))).batches())
    size = os.path.getsize(capture) + os.path.getsize(raw)
    assert told[-1] == (size, size)
    assert told == sorted(told)
