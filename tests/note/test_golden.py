"""Notes as they were read aloud and found right, from export octets to the last word."""

import pytest

from tests.note.golden import FOLDER, written
from tests.note.scenes import AFTERNOONS


@pytest.mark.parametrize("name", AFTERNOONS)
def test_a_note_reads_as_it_was_approved(name: str) -> None:
    for file, content in written(name).items():
        assert content == (FOLDER / file).read_text(encoding="utf-8"), (
            f"{file} reads differently: run `python -m tests.note.golden`, read the difference aloud, and keep it "
            "if it is right"
        )


def test_every_golden_file_belongs_to_an_afternoon() -> None:
    assert sorted(path.name for path in FOLDER.iterdir()) == sorted(
        f"{name}.{suffix}" for name in AFTERNOONS for suffix in ("txt", "md", "brief.txt")
    )
