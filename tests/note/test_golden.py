"""Notes as they were read aloud and found right; `python -m tests.note.golden` writes them anew."""

import pytest

from tests.note.golden import FOLDER, written
from tests.note.situations import SITUATIONS


@pytest.mark.parametrize("suffix", ["txt", "md"])
@pytest.mark.parametrize("name", SITUATIONS)
def test_a_note_reads_as_it_was_approved(name: str, suffix: str) -> None:
    assert written(name, suffix) == (FOLDER / f"{name}.{suffix}").read_text(encoding="utf-8")


def test_every_golden_file_belongs_to_a_situation() -> None:
    assert sorted(path.name for path in FOLDER.iterdir()) == sorted(
        f"{name}.{suffix}" for name in SITUATIONS for suffix in ("txt", "md")
    )
