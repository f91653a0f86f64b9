"""What goes on is listed, acknowledged and muted from the command line."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from flowdiag.cli.main import main
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.folder import Folder
from flowdiag.watch.event import Incident, Matter, SiteMemory, as_event
from flowdiag.watch.ledgers.opening import open_ledger
from flowdiag.watch.part import Part, encoded

KEY = "2br3jaagsumm6jse"


@pytest.fixture
def store(tmp_path: Path) -> str:
    now_ms = time.time_ns() // 1_000_000
    incident = Incident(
        key=KEY, matter=Matter("link-full", "fibre", "up"), severity="critical", confidence="high", began_ms=now_ms,
        ended_ms=None, seen_ms=now_ms, client="Your upload is full.", summary="full at 39 Mbit/s \x1b[2J", told=(now_ms,),
    )  # fmt: skip
    memory = SiteMemory(name="Harbour Lane", timezone="Pacific/Auckland", incidents=(incident,))
    part = Part(sites={"harbour/lane": memory}, events=(as_event("harbour/lane", memory, incident),))
    make_store(Folder(tmp_path))
    ledger = open_ledger(tmp_path)
    assert ledger.write("part-03", encoded(part), 0)
    ledger.close()
    return str(tmp_path)


def run(*words: str) -> Result:
    return CliRunner().invoke(main, ["watch", *words])


def test_what_goes_on_is_listed_with_its_key(store: str) -> None:
    done = run("--store", store, "--incidents")
    assert done.exit_code == 0
    assert f"{KEY}  Harbour Lane  link-full fibre up  since " in done.output
    assert "\x1b" not in done.output


def test_an_incident_is_acknowledged_and_that_is_taken_back(store: str) -> None:
    done = run("--store", store, "--acknowledge", KEY, "--until", "4h", "--reason", "fault opened")
    assert done.exit_code == 0
    name = done.stdout.strip()
    assert "acknowledged until" in run("--store", store, "--incidents").output
    assert "fault opened" in run("--store", store, "--silenced").output
    assert run("--store", store, "--lift", name).exit_code == 0
    assert "acknowledged" not in run("--store", store, "--incidents").output
    assert run("--store", store, "--lift", name).exit_code == 2


def test_sites_are_muted_by_a_pattern(store: str) -> None:
    words = ("--mute", "harbour/*", "--code", "link-full", "--until", "2d", "--reason", "works")
    assert run("--store", store, *words).exit_code == 0
    assert "muted until" in run("--store", store, "--incidents").output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--acknowledge", "nothing", "--until", "4h", "--reason", "x"), "no incident has the key"),
        (("--acknowledge", KEY, "--until", "4h"), "says why"),
        (("--acknowledge", KEY, "--reason", "x"), "until when"),
        (("--mute", "*", "--until", "soon", "--reason", "x"), "is no time"),
        (("--mute", "*", "--until", "2001-01-01T00:00Z", "--reason", "x"), "is over"),
        (("--mute", "*", "--until", "2001-01-01T00:00", "--reason", "x"), "no offset"),
        (("--incidents", "--silenced"), "two things"),
        (("--until", "4h"), "goes with"),
        (("--acknowledge", KEY, "--code", "x", "--until", "4h", "--reason", "x"), "--mute"),
    ],
)
def test_what_cannot_be_meant_is_one_line(store: str, words: tuple[str, ...], said: str) -> None:
    done = run("--store", store, *words)
    assert done.exit_code == 2
    assert said in done.output
    assert done.output.count("\n") == 1


def test_a_store_that_is_not_there_is_one_line(tmp_path: Path) -> None:
    done = run("--store", str(tmp_path / "none"), "--incidents")
    assert done.exit_code == 1
    assert "no flow store" in done.output


def test_a_folder_that_is_no_store_is_one_line(tmp_path: Path) -> None:
    for asked in ("--incidents", "--silenced"):
        done = run("--store", str(tmp_path), asked)
        assert (done.exit_code, "no flow store" in done.output) == (1, True)


def test_a_mute_says_what_it_is_about(store: str) -> None:
    said = run("--store", store, "--mute", "harbour/*", "--until", "2h", "--reason", "works").output
    assert "1 site of those watched, 1 incident that goes on" in said
    assert "0 sites" in run("--store", store, "--mute", "zzz*", "--until", "2h", "--reason", "works").output
    done = run("--store", store, "--mute", "*", "--code", "nope", "--until", "2h", "--reason", "works")
    assert (done.exit_code, "is no code" in done.output) == (2, True)


def test_mutes_of_a_notify_file_are_listed_too(store: str, tmp_path: Path) -> None:
    file = tmp_path / "notify.toml"
    file.write_text(
        '[[mute]]\nsite = "harbour/*"\nuntil = 2099-01-01T00:00:00Z\nreason = "works on the mast"\n',
        encoding="utf-8",
    )
    assert "works on the mast" in run("--store", store, "--silenced", "--notify", str(file)).output


def test_a_form_goes_with_what_has_one(store: str) -> None:
    done = run("--store", store, "--incidents", "--format", "json")
    assert (done.exit_code, "--report or --drill" in done.output) == (2, True)
