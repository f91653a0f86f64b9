"""Sentences on what bounds the figures."""

from __future__ import annotations

import pytest

from flowdiag.aggregator.remark import remark, said
from flowdiag.text.wording.coverage import told


@pytest.mark.parametrize(
    ("offset", "said"),
    [
        (90_000, "1 min 30 s behind"),
        (-3_600_000, "1 h ahead of"),
        (86_400_000 * 2 + 23 * 3_600_000 + 59 * 60_000 + 59_000, "2 d 23 h 59 min 59 s behind"),
        (5_499, "5 s behind"),
        (5_501, "6 s behind"),
    ],
)
def test_a_note_says_how_far_and_which_way(offset: int, said: str) -> None:
    (note,) = told([remark("clock", exporter="192.0.2.10", offset_ms=offset)])
    assert note.startswith(f"The clock of exporter 192.0.2.10 runs {said} the capture's clock; ")


def test_an_exporter_without_an_address_is_not_named() -> None:
    (note,) = told([remark("clock", exporter=None, offset_ms=60_000)])
    assert note.startswith("The clock of the exporter runs 1 min behind")


def test_what_reading_has_said_ends_like_a_sentence() -> None:
    assert told([said("so"), said("so.")]) == ("so.", "so.")


def test_addresses_that_are_not_named_are_counted() -> None:
    (note,) = told([remark("translated", records=2, addresses=("192.0.2.1", "192.0.2.2"), more=3)])
    assert "2 records show its own (192.0.2.1, 192.0.2.2 and 3 more)" in note
