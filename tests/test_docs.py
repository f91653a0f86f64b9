"""The documentation says what the program says."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

DOCS = Path(__file__).parent.parent / "docs"
PAGES = sorted(path.relative_to(DOCS).as_posix() for path in DOCS.rglob("*.md"))


def test_generated_pages_are_up_to_date() -> None:
    # A process of its own: click remembers a command's help option in the form of its first use.
    check = subprocess.run(
        [sys.executable, str(DOCS / "generate.py"), "--check"], capture_output=True, text=True, check=False
    )
    assert (check.returncode, check.stderr) == (0, ""), "run: python docs/generate.py"


@pytest.mark.parametrize("page", PAGES)
def test_links_between_pages_lead_somewhere(page: str) -> None:
    text = (DOCS / page).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (DOCS / page).parent.joinpath(target).exists(), target
