"""A full time has one length in a note, whatever the length of the records: on a plan of 100/20 Mbit/s, IP octets."""

from __future__ import annotations

from typing import Any, Final

import pytest

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.findings.on_backup import full_minutes, was_full
from flowdiag.note.compose import compose
from flowdiag.note.json_note import as_dict
from flowdiag.text.clock import duration
from tests.diagnoser.building import Book, ms, profile

FULL_A_SECOND: Final = 12_500_000
HOUR: Final = 3600


def full(resolution_s: int, *spells: tuple[int, int], window: tuple[float, float] | None = None) -> Case:
    """An hour of browsing, and downloads at the plan from one second to another in records of so many seconds."""
    book = Book()
    book.browse(0, HOUR)
    for number, (begin, end) in enumerate(spells):
        for start in range(begin, end, resolution_s):
            stop = min(start + resolution_s, end)
            octets = 0.98 * FULL_A_SECOND * (stop - start)
            book.row(start, stop, way=DOWN, octets=octets, inside_port=50_001 + number)
    return book.case(profile(backup=False), span=(0, HOUR), resolution_s=resolution_s, window=window)


def note_of(case: Case) -> dict[str, Any]:
    return as_dict(compose(diagnose(case)))


@pytest.mark.parametrize("resolution_s", [5, 15, 20, 30, 60])
@pytest.mark.parametrize("length", [45, 90, 140])
@pytest.mark.parametrize("window", [None, (900.0, 1740.0)])
def test_a_short_spell_is_as_long_in_the_table_as_in_the_sentences(
    resolution_s: int, length: int, window: tuple[float, float] | None
) -> None:
    note = note_of(full(resolution_s, (1220, 1220 + length), window=window))
    (spell,) = [finding for finding in note["findings"] if finding["code"] == "link-full"]
    seconds = spell["evidence"]["full_seconds"]
    assert length - 20 < seconds <= length  # of steps of ten seconds, those at both ends may be full in part
    assert spell["evidence"]["longest_seconds"] == seconds
    down = note["links"][0]["down"]
    assert down["full_minutes"] == round(seconds / 60, 2) <= down["busy_minutes"]
    reason = next(reason for reason in note["verdict"]["reasons"] if "at its limit" in reason)
    for sentence in (note["verdict"]["sentence"], spell["summary"], reason):
        assert f"{duration(seconds * 1000)} " in sentence


@pytest.mark.parametrize("resolution_s", [5, 15, 60])
def test_several_spells_are_as_long_together(resolution_s: int) -> None:
    note = note_of(full(resolution_s, (610, 655), (1207, 1297), (2000, 2140), (2700, 2750)))
    spells = [finding["evidence"] for finding in note["findings"] if finding["code"] == "link-full"]
    seconds = sum(spell["full_seconds"] for spell in spells)
    assert len(spells) == 4
    assert note["links"][0]["down"]["full_minutes"] == round(seconds / 60, 2)
    assert any(duration(seconds * 1000) in reason for reason in note["verdict"]["reasons"])
    assert all(spell["mean_mbps"] <= spell["peak_mbps"] for spell in spells)


def test_a_busy_time_has_the_seconds_of_the_full_spell_in_it() -> None:
    book = Book()
    for start in range(600, 1800, 60):  # busy, and full for fifty seconds of its sixth minute
        book.row(start, start + 60, way=DOWN, octets=0.75 * FULL_A_SECOND * 60)
    book.row(905, 955, way=DOWN, octets=0.24 * FULL_A_SECOND * 50, inside_port=50_001)
    note = note_of(book.case(profile(backup=False), span=(0, HOUR), resolution_s=60))
    busy, spell = (
        next(finding["evidence"] for finding in note["findings"] if finding["code"] == code)
        for code in ("link-busy", "link-full")
    )
    down = note["links"][0]["down"]
    assert busy["full_minutes"] == down["full_minutes"] == round(spell["full_seconds"] / 60, 2) > 0
    assert busy["busy_minutes"] == down["busy_minutes"] == 20


def test_a_backup_that_was_full_for_a_spell_has_its_seconds_and_was_not_full_for_long() -> None:
    book = Book()
    book.browse(0, 1200)
    book.browse(1201, 2400, link="lte")
    book.browse(2401, HOUR)
    book.row(1500, 1550, way=DOWN, octets=0.98 * 30 * 125_000 * 50, link="lte")
    case = book.case(span=(0, HOUR))
    assert full_minutes(case, 1, ms(1200), ms(2400)) == {"full_minutes_down": 0.83, "full_minutes_up": 0}
    assert not was_full(case, 1, ms(1200), ms(2400))


def test_the_note_says_how_minutes_were_counted() -> None:
    def methods(case: Case) -> str:
        return " ".join(compose(diagnose(case)).method)

    hour = methods(full(60))
    assert "in windows of one minute." in hour
    assert "Peaks are single minutes." in hour
    assert "own seconds" not in hour
    short = methods(full(15, (1220, 1310), window=(900, 1740)))
    assert "in windows of 15 seconds." in short
    assert "Peaks are single windows." in short
    assert "a short full spell counts with its own seconds" in short
