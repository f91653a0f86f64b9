"""How sure the all-clear is beside a level, for what the label says of the cause."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest

from flowdiag.pipeline import run
from flowdiag.site.reading import read_profile
from tests.scenarios.files import lay_out
from tests.scenarios.judge import judge
from tests.scenarios.runner import _iso
from tests.scenarios.stage import labelled

ON_THE_LINK = (
    "one-download-at-what-the-line-gives",
    "two-downloads-at-what-the-line-gives",
    "a-few-uploads-at-what-the-line-gives",
    "one-quic-download-at-what-the-line-gives",
    "a-satellite-gives-little-for-three-minutes",
)
ELSEWHERE = (
    "videos-fetched-piece-by-piece",
    "cameras-and-calls-at-their-own-rate",
    "a-backup-to-a-slow-server",
    "many-pages-at-once",
)


def confidence(name: str, number: int) -> str:
    case = labelled(name, number)
    with tempfile.TemporaryDirectory() as folder:
        export, profile = lay_out(case, Path(folder))
        begin, end = map(_iso, case.window or (None, None))
        found = run([export], read_profile(profile), window_from=begin, window_to=end, reported=case.reported)
    assert not judge(case, found).faults
    return found.verdict.confidence


@pytest.mark.parametrize("name", ON_THE_LINK)
def test_where_the_line_held_a_level_the_all_clear_is_never_sure(name: str) -> None:
    assert confidence(name, 0) != "high"


@pytest.mark.parametrize("name", ELSEWHERE)
def test_what_only_looks_like_a_level_leaves_the_all_clear_sure(name: str) -> None:
    assert confidence(name, 0) == "high"
