"""An export of more records than memory is to hold becomes a store for as long as the question takes."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from msgspec.structs import replace

from flowdiag import long_exports, pipeline
from flowdiag.errors import ExportError
from flowdiag.export_usage import report_usage
from flowdiag.long_times import ORDINARY, Effort
from flowdiag.pipeline import run
from flowdiag.scenario.bulk import write_bulk
from flowdiag.site.profile import Link, Profile, Site
from flowdiag.text.wording.coverage import told

PROFILE = Profile(
    site=Site(name="a site", lan=["10.0.0.0/16"]),
    link=[Link(name="fibre", role="primary", interfaces=[2], down_mbps=500, up_mbps=500)],
)
RECORDS = 60_000
FEW = replace(ORDINARY, at_once=20_000, worth_octets=0)
FEW_FIGURES = Effort(worth_octets=0, at_once=20_000, who=False)


@pytest.fixture(scope="module")
def export(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A day."""
    return Path(write_bulk(tmp_path_factory.mktemp("bulk") / "day.ipfix", RECORDS))


def test_a_large_export_is_diagnosed_as_a_small_one_is(export: Path) -> None:
    at_once, in_parts = run([export], PROFILE), run([export], PROFILE, effort=FEW)
    assert at_once.case.sums is None
    assert in_parts.case.sums is not None
    assert in_parts.verdict.code == at_once.verdict.code
    assert in_parts.case.coverage.records == RECORDS
    for one, other in zip(at_once.links, in_parts.links, strict=True):
        assert other.down.octets == pytest.approx(one.down.octets, abs=2)
        assert other.up.octets == pytest.approx(one.up.octets, abs=2)
    assert any("Long time" in line for line in told(in_parts.case.coverage.remarks))


def test_usage_of_a_large_export_is_the_same(export: Path) -> None:
    at_once, in_parts = (report_usage([export], PROFILE, effort=one) for one in (None, FEW_FIGURES))
    for one, other in zip(at_once.links, in_parts.links, strict=True):
        assert other.mbps == pytest.approx(one.mbps, abs=1e-5)


def test_nothing_is_left_in_the_place_for_temporary_files(
    export: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    run([export], PROFILE, effort=FEW)
    assert list(tmp_path.iterdir()) == []


def test_many_records_of_a_short_time_are_all_looked_at(
    export: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(long_exports, "LONG_MS", 2 * 86_400_000)
    assert run([export], PROFILE, effort=FEW).case.sums is None


def test_only_files_are_read_twice(export: Path, tmp_path: Path) -> None:
    assert long_exports.can_be_read_twice([export])
    assert not long_exports.can_be_read_twice([export, "-"])


def test_a_store_that_cannot_be_made_of_it_is_one_clear_error(tmp_path: Path) -> None:
    broken = tmp_path / "broken.ipfix"
    broken.write_bytes(b"\x00" * 100)
    with pytest.raises(ExportError), long_exports.as_store([broken]):
        pass


def test_the_question_is_put_to_the_store_once(export: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    build_case = pipeline.build_case

    def counted(*words: object, **more: object) -> object:
        asked.append(1)
        return build_case(*words, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(pipeline, "build_case", counted)
    run([export], PROFILE, effort=FEW)
    assert len(asked) == 2
