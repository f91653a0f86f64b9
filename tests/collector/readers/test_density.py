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
        ("FREE_PIECES", messages.domains(100_000)),
        ("FREE_PIECES", messages.netflow5_headers(100_000)),
        ("FREE_PIECES", messages.redefinitions(150_000)),
        ("FREE_PIECES", messages.template_flood(100_000)),
        ("FREE_PIECES", messages.messages_of_one_record(2_000) + messages.held_sets(200_000)),
        ("FREE_PIECES", captures.forged_sessions(100_000)),
        ("FREE_PIECES", messages.messages_of_one_record(2_000) + messages.sequence_gaps(100_000)),
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
    monkeypatch.setattr("flowdiag.collector.export.OCTETS_BETWEEN_BATCHES", 1 << 16)
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


@pytest.mark.parametrize(("pieces", "cut"), [(100 * 92 + 28 * 2, False), (100 * 92 + 28 * 2 - 1, True)])
def test_a_definition_and_a_columnar_step_are_so_many_pieces(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pieces: int, cut: bool
) -> None:
    """A hundred messages of another domain each: a message of more than data (2), a domain (40), a definition (10) and a
    step (40). Then 28 of one of them, with the definition once more, which is nothing new; the question is asked after the
    128th."""
    monkeypatch.setattr(density, "FREE_PIECES", pieces)
    monkeypatch.setattr(density, "OCTETS_A_PIECE", 1_000_000)
    taught = messages.a_set(2, messages.template(256, messages.LEAST))
    record = messages.a_set(256, bytes(range(1, 11)))
    made = [messages.ipfix(taught, record, domain=number) for number in range(100)]
    made += [messages.ipfix(taught, record, domain=7, sequence=1 + number) for number in range(28)]
    _, problems = told(tmp_path / "export", b"".join(made))
    assert (density.TOO_DENSE in problems) == cut


def test_where_nobody_counts_the_octets_nothing_is_bounded_by_them() -> None:
    source = Source("segment", 0, ExportReport())
    assert not source.too_dense(10**9, 10**9)
    assert not source.too_damaged(10**12)


def test_a_file_of_nothing_but_small_packets_is_one_clear_error(tmp_path: Path) -> None:
    path = tmp_path / "capture"
    path.write_bytes(gzip.compress(captures.HEADER + captures.packet(b"\1") * 10_000))
    with pytest.raises(ExportError, match="holds no flow export message"):
        list(open_export(path).batches())
