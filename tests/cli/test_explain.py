"""`flowdiag explain` from the command line."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner, Result

from flowdiag.cli.main import main
from flowdiag.diagnoser.kinds import KINDS

CODES = [kind.code for kind in KINDS]


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["explain", *arguments])


def test_a_page_says_what_it_means_how_it_is_decided_and_what_to_do() -> None:
    result = run("keepalive-missing")
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert lines[0] == "keepalive-missing"
    headings = [
        line for line in lines if line in ("What it means", "How it is decided", "What to do", "Limits")
    ]
    assert headings == ["What it means", "How it is decided", "What to do", "Limits"]


def test_piped_text_is_plain_and_fits_100_columns() -> None:
    text = run("keepalive-missing").stdout
    assert "\x1b" not in text
    assert max(map(len, text.splitlines())) <= 100


def test_markdown_has_a_heading_a_section() -> None:
    text = run("keepalive-missing", "--format", "markdown").stdout
    assert text.startswith("# keepalive-missing\n\n")
    assert "\n## How it is decided\n\n" in text


def test_the_suffix_picks_markdown(tmp_path: Path) -> None:
    assert run("keepalive-missing", "--output", str(tmp_path / "page.md")).exit_code == 0
    assert (tmp_path / "page.md").read_text(encoding="utf-8").startswith("# keepalive-missing\n")


def test_codes_may_be_written_like_module_names() -> None:
    assert run("Keepalive_Missing").stdout == run("keepalive-missing").stdout


def test_without_a_code_all_are_listed_with_one_line() -> None:
    lines = run().stdout.splitlines()
    assert [line.split()[0] for line in lines[: len(CODES)]] == list(CODES)
    assert lines[-1] == "flowdiag explain CODE tells more."
    table = run("--format", "markdown").stdout.splitlines()
    assert table[2].startswith(f"| `{CODES[0]}` | ")


def test_an_unknown_code_is_wrong_usage_and_lists_those_there_are() -> None:
    result = run("link-ful")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "'link-ful' is not a finding code, did you mean link-full?" in result.stderr
    assert all(code in result.stderr for code in CODES)
