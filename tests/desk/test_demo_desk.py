"""`flowdiag desk --demo` opens on an invented provider of 12 sites with something to find in each."""

from __future__ import annotations

import re
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import httpx
import msgspec
import pytest
from msgspec import Struct

from flowdiag.desk import demo
from flowdiag.errors import UsageError
from flowdiag.scenario.provider import AHEAD_MS, SITES, ProviderSite, add_coming, make_site
from flowdiag.site.clock import LocalTime
from flowdiag.site.reading import read_profile
from flowdiag.watch.look import look
from flowdiag.watch.state import Standing

pytestmark = pytest.mark.slow

READY_S: Final = 120.0
NOW: Final[dict[str, Standing]] = {
    "harbour-ferries/ticket-hall": "full",
    "harbour-ferries/workshop": "full",
    "kowhai-clinics/north-shore": "backup",
    "kowhai-clinics/east-side": "main",
    "kowhai-clinics/city": "main",
    "rata-schools/river": "leaking",
    "rata-schools/hill": "below-plan",
    "totara-foods/mill": "silent",
    "totara-foods/cold-store": "silent",
    "totara-foods/office": "unheard",
    "wharf-radio/studio": "attack",
    "wharf-radio/transmitter": "main",
}


class Running(Struct, frozen=True):
    """A demo's desk, and a browser in which somebody has signed in by the link that it printed."""

    folder: Path
    made_ms: int
    browser: httpx.Client


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    folder = tmp_path_factory.mktemp("demo") / "provider"
    port = free_port()
    words = ["desk", "--demo", str(folder), "--listen", f"127.0.0.1:{port}"]
    program = "from flowdiag.cli.main import main; main()"
    with subprocess.Popen(
        [sys.executable, "-c", program, *words], stdout=subprocess.PIPE, text=True
    ) as process:
        try:
            assert process.stdout is not None
            assert select.select([process.stdout], [], [], READY_S)[0], "no link was printed"
            link = re.findall(r"http://\S+", process.stdout.readline())[0]
            with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=60) as browser:
                _signed_in(browser, link)
                made = msgspec.json.decode((folder / demo.MADE).read_bytes(), type=demo.Made)
                yield Running(folder, made.made_ms, browser)
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(30)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _signed_in(browser: httpx.Client, link: str) -> None:
    """Opens the link once the desk listens. Its cookie is for secure addresses, as which browsers take loopback."""
    until = time.monotonic() + READY_S
    while True:
        try:
            answer = browser.get(link)
            break
        except httpx.TransportError:
            assert time.monotonic() < until
            time.sleep(0.1)
    assert answer.status_code == 303
    browser.headers["Cookie"] = answer.headers["set-cookie"].partition(";")[0]


@pytest.mark.parametrize("site", SITES, ids=[site.place for site in SITES])
def test_each_site_has_something_to_find(running: Running, site: ProviderSite) -> None:
    clock = LocalTime(site.timezone)
    end_ms = running.made_ms // 60_000 * 60_000
    begin, end = (clock.iso(round(end_ms - minutes * 60_000)) for minutes in site.asked)
    key = site.place.replace("/", ".")
    answer = running.browser.get(f"/sites/{key}/note", params={"from": begin, "to": end})
    while answer.status_code == 202:
        time.sleep(0.5)
        answer = running.browser.get(f"/sites/{key}/note", params={"from": begin, "to": end})
    note = answer.headers["location"]
    verdict = running.browser.get(f"{note}/json").json()["verdict"]
    assert verdict["code"] == site.finds
    assert running.browser.get(note).status_code == 200


def test_the_board_shows_each_site_as_it_is(running: Running) -> None:
    until = time.monotonic() + READY_S
    while True:
        sites = running.browser.get("/api/states").json()["sites"]
        if all(site["looked_ms"] for site in sites):
            break
        assert time.monotonic() < until
        time.sleep(0.5)
    assert {site["site"]: site["states"][0] for site in sites} == {
        place.replace("/", "."): standing for place, standing in NOW.items()
    }


@pytest.mark.parametrize(
    ("place", "standing"),
    [(place, NOW[place]) for place in ("kowhai-clinics/north-shore", "harbour-ferries/ticket-hall")],
)
def test_what_goes_on_goes_on_until_the_last_minute(tmp_path: Path, place: str, standing: Standing) -> None:
    number = [site.place for site in SITES].index(place)
    now_ms = 1_772_497_800_000
    make_site(tmp_path, number, now_ms)
    profile = read_profile(tmp_path / demo.PROFILES / f"{place}.toml")
    for minutes, more in ((4, True), (60, False)):
        later_ms = now_ms + minutes * 60_000
        assert add_coming(tmp_path, later_ms) == more
        looked = look(str(tmp_path / demo.STORE), profile, later_ms)
        assert looked is not None
        assert looked.state.at(later_ms).standings[0] == standing
        assert looked.state.heard_ms == pytest.approx(later_ms, abs=60_000)
        assert not [mark for mark in looked.state.marks if mark.code == "export-gap"]
    assert demo.GOES_ON_MS == AHEAD_MS


def test_there_are_as_many_sites_as_are_made() -> None:
    assert len(SITES) == demo.SITES == len(NOW)
    assert len({site.place.partition("/")[0] for site in SITES}) == 5


def test_a_fresh_demo_is_not_made_again(running: Running) -> None:
    assert not demo.prepare_demo(running.folder, running.made_ms + demo.FRESH_MS - 1, None)


def test_a_folder_of_somebody_else_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match="did not come from this demo"):
        demo.prepare_demo(tmp_path, 0, None)
    assert [file.name for file in tmp_path.iterdir()] == ["mine.txt"]


def test_a_demo_that_is_old_is_made_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = []
    monkeypatch.setattr(demo, "_make", lambda folder, now_ms, told: made.append(now_ms))
    assert demo.prepare_demo(tmp_path / "provider", 10 * demo.FRESH_MS, None)
    assert demo.prepare_demo(tmp_path / "provider", 11 * demo.FRESH_MS, None)
    assert made == [10 * demo.FRESH_MS, 11 * demo.FRESH_MS]
