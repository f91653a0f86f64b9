"""`flowdiag review`: files, exit codes and errors in a line."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from flowdiag.cli.main import main
from flowdiag.scenario.stored_days import Written
from tests.review.portfolios import small


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["review", *map(str, arguments)])


@pytest.fixture(scope="module")
def portfolio(tmp_path_factory: pytest.TempPathFactory) -> Written:
    return small(tmp_path_factory.mktemp("portfolio"), sites=2, days=3)


def given(portfolio: Written, *more: object) -> Result:
    return run("--store", portfolio.store, "--sites", portfolio.sites, "--jobs", 1, *more)


def test_the_ranking_is_printed(portfolio: Written) -> None:
    done = given(portfolio)
    assert done.exit_code == 0
    assert "2 sites: 2 not enough data" in done.output
    assert "1. " in done.output


def test_the_suffix_picks_the_form(portfolio: Written, tmp_path: Path) -> None:
    for name, start in (("a.json", b"{"), ("a.csv", b"rank,"), ("a.xlsx", b"PK"), ("a.html", b"<!doctype")):
        assert given(portfolio, "--output", tmp_path / name).exit_code == 0
        assert (tmp_path / name).read_bytes().startswith(start)


def test_pages_are_written_for_each_client_and_for_all(portfolio: Written, tmp_path: Path) -> None:
    folder = tmp_path / "to" / "send"
    assert given(portfolio, "--pages", folder).exit_code == 0
    names = sorted(path.name for path in folder.iterdir())
    assert len(names) == 3
    index = (folder / "index.html").read_text()
    assert all(f'href="{name}"' in index for name in names if name != "index.html")


def test_a_month_is_reviewed(portfolio: Written) -> None:
    content = json.loads(given(portfolio, "--month", "2026-03", "--format", "json").stdout)
    assert content["from"] == "2026-03-01T00:00"
    assert len(content["sites"]) == 2


def test_a_profile_without_exporters_does_not_get_the_flows_of_all(
    portfolio: Written, tmp_path: Path
) -> None:
    profile = (portfolio.sites / "site-00000.toml").read_text()
    (tmp_path / "site.toml").write_text(re.sub("(?m)^exporters = .*\n", "", profile))
    done = run("--store", portfolio.store, "--sites", tmp_path, "--jobs", 1)
    assert "1 site: 1 not enough data" in done.output
    assert "flows of 2 exporters" in " ".join(done.output.split())


def test_a_profile_that_cannot_be_used_is_left_out_with_a_line(portfolio: Written, tmp_path: Path) -> None:
    (tmp_path / "right.toml").write_text((portfolio.sites / "site-00000.toml").read_text())
    (tmp_path / "wrong.toml").write_text("[site]\nname = 3\n")
    done = run("--store", portfolio.store, "--sites", tmp_path, "--jobs", 1)
    assert done.exit_code == 0
    assert "1 site: " in done.stdout
    assert "wrong.toml" in done.stderr


@pytest.mark.parametrize(
    ("words", "code", "line"),
    [
        (("--month", "March"), 2, "is not a month"),
        (("--month", "2026-03", "--to", "2026-03-02"), 2, "does not go together"),
        (("--format", "xlsx"), 2, "a spreadsheet is no text; expected --output FILE.xlsx"),
        (("--output", "review.pdf"), 2, "the suffix .pdf"),
        (("--sites", "nowhere"), 1, "nowhere: no such folder"),
        (("--store", "nowhere"), 1, "nowhere: there is no flow store"),
        (("--cluster", "tcp://127.0.0.1:1"), 1, "the cluster does not answer"),
        (("--cluster", "somewhere else"), 1, "the cluster does not answer"),
    ],
)
def test_what_cannot_be_is_one_line(
    portfolio: Written, words: tuple[str, str], code: int, line: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("flowdiag.collector.store.cluster.CONNECT_S", 1)
    done = given(portfolio, *words)
    assert done.exit_code == code
    assert line in done.output
    assert "Traceback" not in done.output
