"""Sustained runs: three minutes in a row, gaps of one bridged."""

from __future__ import annotations

import numpy as np
import pytest

from flowdiag.scenario.truth import sustained_runs


@pytest.mark.parametrize(
    ("minutes", "runs"),
    [
        ("..##....", []),
        ("..###...", [(2, 5)]),
        ("###.###.", [(0, 7)]),
        ("###..###", [(0, 3), (5, 8)]),
        ("#.#.#.#.", []),
        ("##.##...", []),
        ("########", [(0, 8)]),
    ],
)
def test_runs(minutes: str, runs: list[tuple[int, int]]) -> None:
    assert sustained_runs(np.array([minute == "#" for minute in minutes])) == runs
