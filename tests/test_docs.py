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


def test_the_site_builds_without_a_warning(tmp_path: Path) -> None:
    build = [
        sys.executable,
        "-m",
        "mkdocs",
        "build",
        "--strict",
        "--quiet",
        "--site-dir",
        str(tmp_path / "site"),
    ]
    done = subprocess.run(build, cwd=DOCS.parent, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    pages = {path.relative_to(tmp_path / "site").as_posix() for path in (tmp_path / "site").rglob("*.html")}
    assert pages >= {page.replace(".md", ".html") for page in PAGES}


@pytest.mark.parametrize("page", PAGES)
def test_links_between_pages_lead_somewhere(page: str) -> None:
    text = (DOCS / page).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (DOCS / page).parent.joinpath(target).exists(), target
