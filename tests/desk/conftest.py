"""A desk for all tests of it: a small store of three sites, the desk that serves it, and people who have signed in.

`kowhai-group/harbour` (zone America/Toronto) has a runaway job in the upload, `rata-group/mill-road` (Australia/Sydney; its
clients see pseudonyms) leaks over its backup, `corner` (Pacific/Auckland) lies in nobody's folder and failed over. Each has a
primary line and a backup; flows are those of FIRST and the days after it.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import pytest
from msgspec import Struct
from msgspec.structs import replace
from playwright.sync_api import expect
from starlette.testclient import TestClient

from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.folder import Folder
from flowdiag.desk.access.sessions import COOKIE
from flowdiag.desk.application import application
from flowdiag.desk.desk import Desk
from flowdiag.desk.people import Person
from flowdiag.desk.settings import Settings
from flowdiag.rollup import ROLLER
from flowdiag.scenario.portfolio import portfolio_site
from flowdiag.scenario.site import profile_toml
from flowdiag.scenario.stored_days import write_site

# A busy machine takes its time; what does not come at all fails all the same.
expect.set_options(timeout=30_000)

BASE: Final = "https://127.0.0.1"  # cookies are for secure addresses alone
FIRST: Final = datetime(2026, 3, 2, tzinfo=UTC)  # a Monday
DAYS: Final = 3
# Place of the profile, number in the portfolio (which says what happens), name, networks inside, label.
SITES: Final = (
    ("kowhai-group/harbour", 4, "Kowhai Harbour Depot", "192.168.41.0/24", "Kowhai cold store"),
    ("rata-group/mill-road", 16, "Rata Mill Road", "192.168.77.0/24", "Rata saw shed"),
    ("corner", 5, "Corner Bakery", "192.168.93.0/24", "Corner ovens"),
)
PSEUDONYMS: Final = "rata-group/mill-road"


class StoreAndSites(Struct, frozen=True):
    """A store with flows, and the folder of its sites' profiles. Nobody writes there; whoever has to works on a copy."""

    store: Path
    sites: Path


@pytest.fixture(scope="session")
def store_and_sites(tmp_path_factory: pytest.TempPathFactory) -> Iterator[StoreAndSites]:
    folder = tmp_path_factory.mktemp("desk")
    backend = Folder(folder / "flows")
    make_store(backend)
    for place, number, name, lan, label in SITES:
        drawn = portfolio_site(number, FIRST, DAYS, seed=1)
        exporter = f"10.200.0.{number}"
        drawn = replace(
            drawn,
            site=replace(
                drawn.site,
                name=name,
                lan=(lan,),
                labels=((lan, label),),
                exporter=exporter,
                declared_exporters=(exporter,),
            ),
        )
        text = profile_toml(drawn.site)
        if place == PSEUDONYMS:
            text = text.replace("[site]\n", "[site]\npseudonyms = true\n", 1)
        profile = folder / "sites" / f"{place}.toml"
        profile.parent.mkdir(parents=True, exist_ok=True)
        profile.write_text(text, encoding="utf-8")
        write_site(backend, drawn, 1, 60, range(DAYS), roller=ROLLER)
    files = sorted(folder.rglob("*"))
    yield StoreAndSites(folder / "flows", folder / "sites")
    assert sorted(folder.rglob("*")) == files, "a test wrote there"


@pytest.fixture(scope="module")
def own_store(store_and_sites: StoreAndSites, tmp_path_factory: pytest.TempPathFactory) -> StoreAndSites:
    """A copy for the tests of a module: a review keeps what it counted in the store."""
    return StoreAndSites(copied(store_and_sites.store, tmp_path_factory), store_and_sites.sites)


def copied(store: Path, folders: pytest.TempPathFactory) -> Path:
    return Path(shutil.copytree(store, folders.mktemp("own") / "flows"))


@pytest.fixture(scope="session")
def desk(store_and_sites: StoreAndSites, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    """What the desk of `served` shares with its pages; its store is a copy, as reviews write there."""
    store = copied(store_and_sites.store, tmp_path_factory)
    state = tmp_path_factory.mktemp("state")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("FLOWDIAG_KEY_FILE", str(state / "pseudonyms.key"))
        yield Desk(Settings(str(store), store_and_sites.sites, state, jobs=2))


@pytest.fixture(scope="session")
def served(desk: Desk) -> Iterator[TestClient]:
    """A browser in which nobody has signed in; the desk runs as long as the tests do."""
    with TestClient(application(desk), base_url=BASE, follow_redirects=False) as client:
        yield client


@pytest.fixture(scope="session")
def browser_of(served: TestClient, desk: Desk) -> Callable[[Person | None], TestClient]:
    """Makes a browser in which that person has signed in, or nobody. It follows redirections."""

    def make(person: Person | None) -> TestClient:
        client = TestClient(served.app, base_url=BASE)
        client.portal = served.portal  # all in the event loop of the one desk
        if person is not None:
            client.cookies.set(COOKIE, desk.sessions.begin(person).key, domain="127.0.0.1")
        return client

    return make


@pytest.fixture
def desk_client(browser_of: Callable[[Person | None], TestClient], desk: Desk) -> TestClient:
    """A browser that was signed in by the link which the desk prints: any staff's role, every site."""
    client = browser_of(None)
    assert client.get(desk.link.make()).status_code == 200
    return client


def form_token(client: Any) -> str:
    """What forms of this browser's session send back, as every page has it."""
    text: str = client.get("/").text
    return text.partition('name="form_token" value="')[2].partition('"')[0]


def waited(client: TestClient, address: str) -> Any:
    """What an address shows once the page that waits for it is over."""
    for _ in range(120):
        answer = client.get(address)
        if answer.status_code != 202:
            return answer
        time.sleep(0.5)
    raise AssertionError("no answer came")
