"""Notes stay at their address, byte for byte, for their site alone."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest
from msgspec.structs import replace

from flowdiag.desk import kept_notes
from flowdiag.desk.asking.note_question import NoteAnswer, NoteQuestion
from flowdiag.desk.kept_notes import KeptNotes
from flowdiag.errors import FlowdiagError

QUESTION = NoteQuestion("flows", "site.toml", "d", "2026-03-02T14:00:00+00:00", "2026-03-02T15:00:00+00:00")
ANSWER = NoteAnswer(
    site="Harbour Lane", timezone="UTC", window_ms=(0, 1), ticket="T-1", verdict="link-full", confidence="high",
    headline="Full.", axis_ms=(0, 1), client="<p>", lead=(), engineer="<p>", client_text="Full.\n",
    client_markdown="Full.\n", text="t", markdown="m", json="{}", page="<!doctype html>", brief="b",
)  # fmt: skip


def test_a_note_is_the_same_after_a_restart(tmp_path: Path) -> None:
    notes = KeptNotes(tmp_path / "state")
    identifier = notes.keep("harbour", QUESTION, ANSWER)
    assert notes.keep("harbour", QUESTION, ANSWER) == identifier
    notes.close()
    again = KeptNotes(tmp_path / "state").get("harbour", identifier)
    assert again is not None
    assert (again.question, again.answer) == (QUESTION, ANSWER)


def test_a_note_belongs_to_its_site(tmp_path: Path) -> None:
    notes = KeptNotes(tmp_path)
    identifier = notes.keep("harbour", QUESTION, ANSWER)
    assert notes.get("elsewhere", identifier) is None
    assert notes.get("harbour", "a" * 24) is None


def test_another_answer_has_another_address(tmp_path: Path) -> None:
    notes = KeptNotes(tmp_path)
    first = notes.keep("harbour", QUESTION, ANSWER)
    second = notes.keep("harbour", QUESTION, replace(ANSWER, text="what came since"))
    assert first != second
    assert notes.get("harbour", first).answer.text == "t"


def test_the_oldest_go_where_there_are_too_many(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_notes, "MOST_KEPT", 3)
    now = iter(range(1, 100))
    monkeypatch.setattr(kept_notes.time, "time", lambda: next(now) * 10.0)
    notes = KeptNotes(tmp_path)
    kept = [notes.keep("harbour", QUESTION, replace(ANSWER, text=str(number))) for number in range(5)]
    assert [notes.get("harbour", one) is not None for one in kept] == [False, False, True, True, True]


def test_notes_are_not_for_everybody_on_the_machine(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        KeptNotes(tmp_path / "state").keep("harbour", QUESTION, ANSWER)
    finally:
        os.umask(before)
    for file in (tmp_path / "state").iterdir():
        assert stat.S_IMODE(file.stat().st_mode) & 0o007 == 0, file.name


def test_a_folder_that_cannot_be_used_is_said(tmp_path: Path) -> None:
    (tmp_path / "state").write_text("a file")
    with pytest.raises(FlowdiagError, match="notes cannot be kept"):
        KeptNotes(tmp_path / "state")
