"""`flowdiag diagnose --compare`: two Tuesdays of the demo's ferry office, in files and in a store."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from jsonschema import Draft202012Validator

from flowdiag import comparing, pipeline
from flowdiag.cli import times
from flowdiag.cli.main import main
from flowdiag.note.json_note import SCHEMA_FILE
from flowdiag.scenario import activities as do
from flowdiag.scenario.capture import pcap_bytes
from flowdiag.scenario.library import FERRY_OFFICE
from flowdiag.scenario.scene import Scene
from flowdiag.scenario.site import profile_toml
from flowdiag.scenario.write import enact, export_messages, generator
from flowdiag.site.reading import read_profile
from tests.note.building import MINUTE_MS, ZERO_MS
from tests.note.scenes import EXPORTING, KEEPALIVE, at

WEEK_MS = 7 * 86_400_000
CALM, BUSY, SITE, STORE = "calm.pcap", "busy.pcap", "site.toml", "flows"
# 3,000 MB at 20 Mbit/s, 1,200 s; with framing and the office: until a little before 14:01.
ASKED = ("--from", "13:40", "--to", "14:10")
A_WEEK_BEFORE = ("--compare", "last tuesday 13:40")
CLAIM = (
    "the upload of fibre was full; the same time a week before it peaked at 1% of its plan: https of 192.168.40.20 "
    "(ticket-hall archive) with 203.0.113.9 (off-site backup) came on top ("
)


@pytest.fixture(scope="module")
def weeks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """13:20 to 14:20 of Tuesday 24 February, an office at work; and of 3 March, with a backup from 13:40 on."""
    folder = tmp_path_factory.mktemp("weeks")
    for name, begin, seed in ((CALM, ZERO_MS - WEEK_MS, 41), (BUSY, ZERO_MS, 40)):
        scene = Scene(FERRY_OFFICE, begin + 20 * MINUTE_MS, begin + 80 * MINUTE_MS, generator(seed), hosts=6)
        do.office(scene, scene.start, scene.end, 4.0)
        do.keepalive(scene, 1, KEEPALIVE, scene.start, scene.end)
        if name == BUSY:
            do.upload(scene, scene.hosts[0], at(40), 3_000, outside=scene.outside("203.0.113.9"))
        capture = pcap_bytes(export_messages(enact(scene), EXPORTING), FERRY_OFFICE.exporter)
        (folder / name).write_bytes(capture)
    (folder / SITE).write_text(profile_toml(FERRY_OFFICE), encoding="utf-8")
    assert run("ingest", folder / CALM, folder / BUSY, "--store", folder / STORE).exit_code == 0
    return folder


def run(*words: str | Path, given: bytes | None = None) -> Result:
    return CliRunner().invoke(main, list(map(str, words)), input=given)


def compared(weeks: Path, *words: str | Path, given: bytes | None = None) -> dict[str, Any]:
    """The JSON note of the busy Tuesday."""
    result = run("diagnose", "--site", weeks / SITE, *words, "--format", "json", given=given)
    assert result.exit_code == 0, result.stderr
    note: dict[str, Any] = json.loads(result.stdout)
    Draft202012Validator(json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))).validate(note)
    return note


def test_a_tuesday_beside_the_one_before(weeks: Path) -> None:
    note = compared(weeks, weeks / CALM, weeks / BUSY, *ASKED, *A_WEEK_BEFORE)
    found = note["comparison"]
    assert found["window"] == {"from": "2026-02-24T13:40:00+13:00", "to": "2026-02-24T14:10:00+13:00"}
    assert found["sentence"].startswith("From 13:40 to 14:01 " + CLAIM)
    assert (found["verdict"]["code"], found["doubts"]) == ("not-the-link", [])
    alone = compared(weeks, weeks / CALM, weeks / BUSY, *ASKED)
    assert alone.pop("comparison") is None
    assert alone == {key: value for key, value in note.items() if key != "comparison"}


def test_the_figures_are_those_that_the_other_time_has_by_itself(weeks: Path) -> None:
    exports = (weeks / CALM, weeks / BUSY)
    found = compared(weeks, *exports, *ASKED, *A_WEEK_BEFORE)["comparison"]
    alone = compared(weeks, *exports, "--from", "2026-02-24T13:40", "--to", "2026-02-24T14:10")
    assert (found["links"], found["verdict"]["code"]) == (alone["links"], alone["verdict"]["code"])


@pytest.fixture
def readings(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """The span of each reading of exports."""
    opened: list[Any] = []
    really = pipeline.open_export

    def noted(*words: Any, **more: Any) -> Any:
        opened.append(more["span"])
        return really(*words, **more)

    monkeypatch.setattr(pipeline, "open_export", noted)
    return opened


def test_a_file_is_read_once_and_so_is_standard_input(weeks: Path, readings: list[Any]) -> None:
    exports = (weeks / CALM).read_bytes() + (weeks / BUSY).read_bytes()
    note = compared(weeks, "-", *ASKED, *A_WEEK_BEFORE, given=exports)
    assert CLAIM in note["comparison"]["sentence"]
    assert len(readings) == 1


def test_a_store_is_asked_for_the_days_of_either_time(weeks: Path, readings: list[Any]) -> None:
    found = compared(weeks, weeks / STORE, *ASKED, *A_WEEK_BEFORE)["comparison"]
    files = compared(weeks, weeks / CALM, weeks / BUSY, *ASKED, *A_WEEK_BEFORE)["comparison"]
    assert (found["sentence"], found["links"]) == (files["sentence"], files["links"])
    asked, other = readings[:2]
    # A day after the time compared, which leaves the days up to the one asked about alone.
    assert asked[1] - other[1] == WEEK_MS
    assert other[1] < ZERO_MS - WEEK_MS + 2 * 86_400_000


def test_days_are_counted_back_from_now_where_a_store_is_being_filled(
    weeks: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At 00:10 on the Wednesday, yesterday is the Tuesday; by the newest flow, of 14:20, it would be the Monday."""
    monkeypatch.setattr("flowdiag.query_times.FILLED_WITHIN_MS", 12 * 3_600_000)
    monkeypatch.setattr(times, "now_ms", lambda: at(11 * 60 + 10))
    words = ("--from", "2026-02-24T13:40", "--to", "2026-02-24T14:10", "--compare", "yesterday 13:40")
    found = compared(weeks, weeks / STORE, *words)["comparison"]
    assert found["window"]["from"] == "2026-03-03T13:40:00+13:00"
    assert "the same time a week after it was full from 13:40 to 14:01" in found["sentence"]


def test_a_time_that_the_store_or_file_has_nothing_of_is_said(weeks: Path) -> None:
    for exports in ((weeks / STORE,), (weeks / CALM, weeks / BUSY)):
        note = compared(weeks, *exports, *ASKED, "--compare", "2026-02-10T13:40")
        found = note["comparison"]
        assert found["sentence"] == (
            "The export has no records of Tuesday 10 February 2026, 13:40 to 14:10 NZDT: there is nothing to compare with."
        )
        assert (found["links"], found["verdict"], found["differs"]) == (None, None, None)
        assert note["verdict"]["code"] == "link-full"


def test_one_link_and_direction(weeks: Path) -> None:
    exports = (weeks / CALM, weeks / BUSY)
    found = compared(weeks, *exports, *ASKED, *A_WEEK_BEFORE, "--link", "fibre", "--direction", "down")[
        "comparison"
    ]
    assert found["about"] == {"link": "fibre", "direction": "down"}
    assert [link["name"] for link in found["links"]] == ["fibre"]


def test_a_store_beside_standard_input_cannot_be_read_twice(weeks: Path) -> None:
    result = run("diagnose", weeks / STORE, "-", "--site", weeks / SITE, *ASKED, *A_WEEK_BEFORE,
                 given=(weeks / BUSY).read_bytes())  # fmt: skip
    assert (result.exit_code, result.stdout) == (2, "")
    assert "standard input can be read once" in result.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((*ASKED, "--compare", "someday"), "--compare: 'someday' is not a time"),
        ((*ASKED, "--compare", "today 14:00"), "overlaps the time asked about"),
        (("--compare", "yesterday 14:00"), "overlaps the time asked about"),
    ],
)
def test_what_cannot_be_compared_is_one_line(weeks: Path, words: tuple[str, ...], said: str) -> None:
    result = run("diagnose", weeks / CALM, weeks / BUSY, "--site", weeks / SITE, *words)
    assert (result.exit_code, result.stdout, result.stderr.count("\n")) == (2, "", 1)
    assert said in result.stderr


def test_a_slip_in_the_time_costs_no_reading(weeks: Path, readings: list[Any]) -> None:
    assert run("diagnose", weeks / BUSY, "--site", weeks / SITE, "--compare", "someday").exit_code == 2
    assert readings == []


def test_a_program_counts_back_from_the_newest_flow(weeks: Path) -> None:
    profile = read_profile(weeks / SITE)
    asked = pipeline.run([weeks / STORE], profile, window_from="13:40", window_to="14:10")
    other = comparing.run_other([weeks / STORE], asked.case, "last tuesday 13:40")
    assert other.case.window_ms == tuple(end - WEEK_MS for end in asked.case.window_ms)
