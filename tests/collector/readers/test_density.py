"""What a file may hold for its size: equal packets, messages and records compress to nothing, and are then too many."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from flowdiag.collector.export import open_export
from flowdiag.collector.readers import density
from flowdiag.collector.readers.source import Source
from flowdiag.collector.report import ExportReport
from flowdiag.errors import ExportError
from tests.hostile import captures, messages


def told(path: Path, octets: bytes) -> tuple[int, list[str]]:
    """How many flow records a file gives, and what is said of it."""
    path.write_bytes(octets)
    export = open_export(path)
    rows = sum(batch.num_rows for batch in export.batches())
    return rows, [problem.what for problem in export.report.problems]


@pytest.mark.parametrize(
    ("bound", "made"),
    [
        ("FREE_RECORDS", messages.identical_records(9_000_000)),
        ("FREE_PIECES", messages.messages_of_one_record(700_000)),
        (
            "FREE_PIECES",
            captures.tiny_packets(700_000) + captures.packet(captures.ipv4(captures.udp(captures.SOUND), 17)),
        ),
        ("FREE_PIECES", captures.ng_empty_blocks(700_000)),
        ("FREE_SEARCHED", captures.plausible_everywhere(700_000)),
        ("FREE_SEARCHED", captures.SOUND * 2 + b"\1" + bytes(700_000) + captures.SOUND),
    ],
)
def test_what_came_before_is_used_and_the_rest_said_to_be_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bound: str, made: bytes
) -> None:
    packed = gzip.compress(made, 9, mtime=0)
    whole, problems = told(tmp_path / "whole", packed)
    assert whole
    assert not {density.TOO_DENSE, density.TOO_DAMAGED} & set(problems)
    monkeypatch.setattr(density, bound, 100)
    monkeypatch.setattr("flowdiag.collector.readers.source.FREE_SEARCHED", density.FREE_SEARCHED)
    rows, problems = told(tmp_path / "cut", packed)
    assert 0 < rows <= whole
    assert {density.TOO_DENSE, density.TOO_DAMAGED} & set(problems)


def test_octets_that_do_not_repeat_earn_their_records(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(density, "FREE_RECORDS", 100)
    monkeypatch.setattr(density, "FREE_PIECES", 100)
    rows, problems = told(tmp_path / "export", messages.distinct_tuples(300_000))
    assert rows > 10_000
    assert problems == []


def test_where_nobody_counts_the_octets_nothing_is_bounded_by_them() -> None:
    source = Source("segment", 0, ExportReport())
    assert not source.too_dense(10**9, 10**9)
    assert not source.too_damaged(10**12)


def test_a_file_of_nothing_but_small_packets_is_one_clear_error(tmp_path: Path) -> None:
    path = tmp_path / "capture"
    path.write_bytes(gzip.compress(captures.HEADER + captures.packet(b"\1") * 10_000))
    with pytest.raises(ExportError, match="holds no flow export message"):
        list(open_export(path).batches())
