"""A note does not depend on how many records are worked on at a time, nor on how many cores do it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import pytest

from flowdiag.aggregator import chunks
from flowdiag.cli.demo import CAPTURE, PROFILE
from flowdiag.note.compose import compose
from flowdiag.note.json_note import render
from flowdiag.pipeline import run
from flowdiag.scenario.bulk import write_bulk
from flowdiag.site.reading import read_profile
from tests.benchmarks.diagnose_day import HARD

# A plan and a backup that are both far too small: there is something to find everywhere.
CROWDED = HARD.replace("down_mbps = 0.9", "down_mbps = 0.01").replace("up_mbps = 0.2", "up_mbps = 0.002")


@pytest.fixture(scope="module", params=["demo", "crowded"])
def example(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """An export and its profile."""
    if request.param == "demo":
        folder = request.getfixturevalue("demo")
        return folder / CAPTURE, folder / PROFILE
    folder = tmp_path_factory.mktemp(request.param)
    profile = folder / "site.toml"
    profile.write_text(CROWDED)
    return write_bulk(folder / "day.ipfix", 30_000), profile


@pytest.fixture
def cores() -> Iterator[None]:
    before = pa.cpu_count()
    yield
    pa.set_cpu_count(before)


def note(export: Path, profile: Path) -> str:
    return render(compose(run([export], read_profile(profile))))


@pytest.mark.parametrize("rows", [1 << 30, 997])
def test_the_note_is_the_same_for_any_step_and_any_number_of_cores(
    example: tuple[Path, Path], rows: int, cores: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    usual = note(*example)
    monkeypatch.setattr(chunks, "STEP_ROWS", rows)
    for count in (1, 2, 5):
        pa.set_cpu_count(count)
        assert note(*example) == usual


def test_steps_cover_all_rows_in_order(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(chunks, "STEP_ROWS", 4)
    assert chunks.chunks(10) == [slice(0, 4), slice(4, 8), slice(8, 10)]
    assert chunks.chunks(10, cells=7) == [slice(0, 7), slice(7, 10)]
    assert chunks.chunks(0) == [slice(0, 0)]
