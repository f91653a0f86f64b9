"""Times without a date, asked of a store and of a file: on a clock that the test holds."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from flowdiag.cli import times
from flowdiag.cli.demo import CAPTURE, PROFILE, write_demo
from flowdiag.cli.main import main
from flowdiag.pipeline import run as run_pipeline
from flowdiag.site.reading import read_profile

# The demo's afternoon, Tuesday 3 March 2026 in Auckland; its newest flow ends at 15:30.
DAY = "2026-03-03"


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    write_demo(folder)
    done = CliRunner().invoke(main, ["ingest", str(folder / CAPTURE), "--store", str(folder / "flows")])
    assert done.exit_code == 0, done.stderr
    return folder


Clock = Callable[[str], None]


@pytest.fixture
def at(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """Sets the clock to a local time of Auckland in summer."""

    def set_to(local: str) -> None:
        now = round(datetime.fromisoformat(f"{local}+13:00").timestamp() * 1000)
        monkeypatch.setattr(times, "now_ms", lambda: now)

    return set_to


def run(*words: str | Path) -> Result:
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exit_code == 0, result.stderr
    return result


def window(demo: Path, export: str, *words: str) -> tuple[list[str], str]:
    """The window of a note without its day and offset where they are the demo's, and what was said beside it."""
    result = run("diagnose", demo / export, "--site", demo / PROFILE, *words, "--format", "json")
    found = json.loads(result.stdout)["window"]
    ends = (found[end].removesuffix("+13:00").removeprefix(f"{DAY}T") for end in ("from", "to"))
    return list(ends), result.stderr


def test_a_store_that_is_being_filled_is_asked_about_the_time_before_now(demo: Path, at: Clock) -> None:
    at(f"{DAY}T15:10:00")
    assert window(demo, "flows", "--from", "last hour", "--to", "now") == (["14:10:00", "15:10:00"], "")
    assert window(demo, "flows", "--from", "-50m", "--to", "-20m") == (["14:20:00", "14:50:00"], "")
    assert window(demo, "flows", "--from", "today 2:20pm", "--to", "2:50pm") == (["14:20:00", "14:50:00"], "")


def test_an_old_store_is_asked_about_the_time_before_its_newest_flow_and_it_is_said(
    demo: Path, at: Clock
) -> None:
    at("2026-03-05T09:00:00")
    assert window(demo, "flows", "--from", "last hour", "--to", "now") == (
        ["14:30:00", "15:30:00"],
        f"flowdiag: the store's newest flow ended at {DAY}T15:30:00+13:00, and times without a date are counted back from "
        "there\n",
    )
    assert window(demo, "flows", "--from", "14:10", "--to", "14:50")[0] == ["14:10:00", "14:50:00"]
    assert window(demo, "flows", "--from", f"{DAY}T14:10", "--to", f"{DAY}T14:50")[1] == ""
    assert (
        run("top", "talkers", demo / "flows", "--site", demo / PROFILE, "--from", "-2h", "--quiet").stderr
        == ""
    )


def test_a_file_is_asked_about_the_time_before_its_end_whatever_the_clock_says(demo: Path, at: Clock) -> None:
    for now in (f"{DAY}T15:40:00", "2031-01-01T00:00:00"):
        at(now)
        assert window(demo, CAPTURE, "--from", "-50m", "--to", "-20m") == (["14:40:00", "15:10:00"], "")


@pytest.mark.parametrize("command", [("usage",), ("top", "talkers")], ids=" ".join)
def test_every_command_takes_the_same_words(demo: Path, at: Clock, command: tuple[str, ...]) -> None:
    at(f"{DAY}T15:10:00")
    spoken = ("--from", "today 2:20pm", "--to", "-20m")
    dated = ("--from", f"{DAY}T14:20", "--to", f"{DAY}T14:50")
    said, meant = (
        run(*command, demo / "flows", "--site", demo / PROFILE, *words, "--format", "json").stdout
        for words in (spoken, dated)
    )
    assert said == meant


def test_a_program_that_asks_a_store_counts_back_from_its_newest_flow(demo: Path) -> None:
    profile = read_profile(demo / PROFILE)
    begin, end = run_pipeline([demo / "flows"], profile, window_from="-2h", window_to="-80m").case.window_ms
    assert end - begin == 40 * 60_000
    assert datetime.fromtimestamp(end / 1000, UTC).isoformat() == "2026-03-03T01:10:00+00:00"
