"""Questions to a store are answered as by the export itself, and read no more of it than they need."""

from __future__ import annotations

import json
import re
import shutil
from collections import Counter
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner

from flowdiag.cli.main import main
from flowdiag.collector.export import open_export
from flowdiag.collector.store import writer
from flowdiag.collector.store.folder import Folder
from flowdiag.errors import ExportError
from flowdiag.flows import FLOW_SCHEMA
from flowdiag.scenario.bulk import write_bulk

QUESTIONS = ("diagnose", "top talkers", "top applications", "top destinations", "top conversations", "usage")


def run(*words: str) -> str:
    done = CliRunner().invoke(main, list(words), catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's site, its export, and a store that holds it."""
    folder = tmp_path_factory.mktemp("demo")
    run("demo", str(folder))
    run("ingest", str(folder / "export.ipfix"), "--store", str(folder / "flows"))
    return folder


@pytest.mark.parametrize("span", [(), ("--from", "14:00", "--to", "15:00")], ids=["all", "an-hour"])
@pytest.mark.parametrize("question", QUESTIONS)
def test_a_store_answers_as_the_export_does_octet_for_octet(
    demo: Path, question: str, span: tuple[str, ...]
) -> None:
    more = ["--site", str(demo / "site.toml"), *span, "--format", "json"]
    of_export = run(*question.split(), str(demo / "export.ipfix"), *more)
    assert run(*question.split(), str(demo / "flows"), *more) == of_export
    assert json.loads(of_export)


PROFILE = """
[site]
name = "Bulk site"
timezone = "UTC"
lan = ["10.0.0.0/16"]
exporters = ["{exporter}"]

[[link]]
name = "fibre"
role = "primary"
interfaces = [2]
down_mbps = 500
up_mbps = 100
"""
HOUR = ("--from", "2026-03-03T14:00", "--to", "2026-03-03T15:00", "--format", "json")
HOUR_MS = (1_772_546_400_000, 1_772_550_000_000)
MARGIN_MS = 3_600_000


@pytest.fixture
def large(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A site and a store of three days in row groups of about half an hour."""
    monkeypatch.setattr(writer, "ROW_GROUP_ROWS", 1_000)
    export = write_bulk(tmp_path / "export.pcap", 144_000, "netflow9", span_ms=3 * 86_400_000)
    run("ingest", str(export), "--store", str(tmp_path / "flows"))
    (exporter,) = (folder.name.partition("=")[2] for folder in (tmp_path / "flows").glob("exporter=*"))
    (tmp_path / "site.toml").write_text(PROFILE.format(exporter=exporter))
    return tmp_path


def answers(folder: Path, store: Path) -> dict[str, Any]:
    """What the questions about an hour that read nothing around it for comparison say."""
    return {
        question: run(*question.split(), str(store), "--site", str(folder / "site.toml"), *HOUR)
        for question in QUESTIONS[1:]
    }


def flows(store: Path, *columns: str) -> pa.Table:
    return pa.Table.from_batches(list(open_export(store, columns=columns or None).batches()), FLOW_SCHEMA)


def damage_is_noticed(store: Path) -> bool:
    """Whether whoever reads all of a store meets the damage."""
    export = open_export(store)
    try:
        return sum(batch.num_rows for batch in export.batches()) < 144_000 and bool(export.report.problems)
    except ExportError:
        return True


def blank(path: Path, begin: int, end: int) -> None:
    """Makes a part of a file unreadable."""
    with path.open("r+b") as file:
        file.seek(begin)
        file.write(b"\xff" * (end - begin))


def test_days_and_hours_beside_a_question_are_not_read(large: Path) -> None:
    """Of the other days only the footers stay, of the day itself the row groups within an hour of the window."""
    store, damaged = large / "flows", large / "damaged"
    shutil.copytree(store, damaged)
    wanted = answers(large, store)
    assert json.loads(wanted["usage"])
    kept = gone = 0
    for path in sorted(damaged.glob("exporter=*/day=*/*.parquet")):
        metadata = pq.read_metadata(path)
        for number in range(metadata.num_row_groups):
            group = metadata.row_group(number)
            columns = [group.column(place) for place in range(group.num_columns)]
            times = {one.path_in_schema: one.statistics for one in columns if one.statistics is not None}
            first, last = times["start"].min_raw, times["end"].max_raw
            if last >= HOUR_MS[0] - MARGIN_MS and first < HOUR_MS[1] + MARGIN_MS:
                kept += 1
                continue
            gone += 1
            begin = min(one.dictionary_page_offset or one.data_page_offset for one in columns)
            blank(path, begin, begin + sum(one.total_compressed_size for one in columns))
    assert 0 < kept < 20 < gone
    assert answers(large, damaged) == wanted
    assert damage_is_noticed(damaged)


def test_files_of_other_days_are_not_opened(large: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Those of the next day are: a flow of the hour may end there."""
    opened: list[str] = []
    open_input = Folder.open_input

    def told(self: Folder, path: str) -> Any:
        opened.append(path)
        return open_input(self, path)

    monkeypatch.setattr(Folder, "open_input", told)
    span = (HOUR_MS[0], HOUR_MS[1])
    assert sum(batch.num_rows for batch in open_export(large / "flows", span=span).batches()) > 0
    assert {path.split("/")[1] for path in opened} == {"day=2026-03-03", "day=2026-03-04"}


def test_columns_that_nobody_asked_for_are_not_read(large: Path) -> None:
    store = large / "flows"
    wanted = flows(store, "octets", "protocol")
    for path in sorted(store.glob("exporter=*/day=*/*.parquet")):
        metadata = pq.read_metadata(path)
        for number in range(metadata.num_row_groups):
            group = metadata.row_group(number)
            for one in (group.column(place) for place in range(group.num_columns)):
                if one.path_in_schema in ("src_address", "dst_address"):
                    begin = one.dictionary_page_offset or one.data_page_offset
                    blank(path, begin, begin + one.total_compressed_size)
    assert flows(store, "octets", "protocol").equals(wanted)
    assert damage_is_noticed(store)


def test_other_tools_read_the_store_as_the_documentation_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """pandas and DuckDB against the flow table itself."""
    export = write_bulk(tmp_path / "export.pcap", 4_800, "netflow9")
    run("ingest", str(export), "--store", str(tmp_path / "flows"))
    monkeypatch.chdir(tmp_path)
    page = (Path(__file__).parents[3] / "docs/howto/keep-flows.md").read_text()
    by_pandas, by_sql = re.findall(r"```python\n(.*?)```", page, re.DOTALL)
    rows = [
        row for row in flows(tmp_path / "flows").to_pylist() if row["end"].date().isoformat() == "2026-03-03"
    ]
    exec(by_pandas, {})
    told = capsys.readouterr().out
    for protocol in (6, 17):
        octets = sum(row["octets"] for row in rows if row["protocol"] == protocol)
        assert re.search(rf"^{protocol} +{octets}$", told, re.MULTILINE)
    exec(by_sql, {})
    told = capsys.readouterr().out
    sources = Counter[bytes]()
    for row in rows:
        sources[row["src_address"]] += row["octets"]
    (largest, octets), *_ = sources.most_common(1)
    assert largest.hex()[24:].upper() in told
    assert f"{octets:.1f}" in told or str(octets) in told
