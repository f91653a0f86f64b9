"""The account review at the desk: the same figures as `flowdiag review`, in any order, of the sites that a person may see."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import openpyxl
import pytest
from click.testing import CliRunner
from starlette.testclient import TestClient

from flowdiag.cli.main import main
from flowdiag.desk.access.sessions import COOKIE
from flowdiag.desk.application import application
from flowdiag.desk.asking.review_question import AskedSite, ReviewQuestion
from flowdiag.desk.desk import Desk
from flowdiag.desk.people import Person
from flowdiag.desk.settings import Settings
from flowdiag.site.site_key import site_key
from tests.desk.conftest import BASE, StoreAndSites, waited

ACCOUNTS: Final = Person("accounts", frozenset({"accounts"}), ("*",))
KOWHAI: Final = Person("kowhai", frozenset({"accounts"}), ("kowhai-group/*",))
ONE_OF_TWO: Final = Person("half", frozenset({"accounts"}), ("kowhai-group/harbour",))
HELPDESK: Final = Person("helpdesk", frozenset({"helpdesk"}), ("*",))
Sign = Callable[[Person], TestClient]


@pytest.fixture(scope="module")
def store(store_and_sites: StoreAndSites, tmp_path_factory: pytest.TempPathFactory) -> StoreAndSites:
    """A copy, since a review keeps what it counted in the store; Kowhai has a second site, of a name that is markup."""
    folder = tmp_path_factory.mktemp("accounts")
    shutil.copytree(store_and_sites.store, folder / "flows")
    shutil.copytree(store_and_sites.sites, folder / "sites")
    first = folder / "sites" / "kowhai-group" / "harbour.toml"
    text = first.read_text(encoding="utf-8")
    text = re.sub(r'^name = "Kowhai Harbour Depot"', 'name = "<b>Wharf</b> 2"', text, count=1, flags=re.M)
    assert "Wharf" in text
    (folder / "sites" / "kowhai-group" / "wharf.toml").write_text(text, encoding="utf-8")
    return StoreAndSites(folder / "flows", folder / "sites")


@pytest.fixture(scope="module")
def sign(store: StoreAndSites, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sign]:
    """Makes a browser in which that person has signed in."""
    desk = Desk(Settings(str(store.store), store.sites, tmp_path_factory.mktemp("state"), jobs=2))
    app = application(desk)
    with TestClient(app, base_url=BASE) as served:

        def make(person: Person) -> TestClient:
            client = TestClient(app, base_url=BASE)
            client.portal = served.portal
            client.cookies.set(COOKIE, desk.sessions.begin(person).key, domain="127.0.0.1")
            return client

        yield make


def names(page: str) -> list[str]:
    """Of the sites in the table, from top to bottom."""
    return re.findall(r'<th scope="row"><a href="/sites/[^"]+"><bdi>(.*?)</bdi>', page)


def by_command(store: StoreAndSites, *words: str) -> str:
    run = CliRunner().invoke(
        main,
        [
            "review",
            "--store",
            str(store.store),
            "--sites",
            str(store.sites),
            "--jobs",
            "1",
            "--quiet",
            *words,
        ],
    )
    assert run.exit_code == 0, run.output
    return run.stdout


def test_the_files_are_those_of_the_command(sign: Sign, store: StoreAndSites) -> None:
    client = sign(ACCOUNTS)
    written = waited(client, "/accounts/review.json")
    assert json.loads(written.text) == json.loads(by_command(store, "--format", "json"))
    assert written.headers["content-disposition"] == 'attachment; filename="review.json"'
    month = waited(client, "/accounts/review.csv?month=2026-03").text
    assert list(csv.reader(io.StringIO(month))) == list(
        csv.reader(io.StringIO(by_command(store, "--format", "csv", "--month", "2026-03")))
    )
    book = openpyxl.load_workbook(io.BytesIO(waited(client, "/accounts/review.xlsx").content))
    assert book.sheetnames == ["Sites", "Links"]
    assert client.get("/accounts/review.pdf").status_code == 404
    assert json.loads(waited(client, "/api/review").text) == json.loads(written.text)


def test_the_table_has_the_figures_and_sorts_by_its_addresses(sign: Sign) -> None:
    client = sign(ACCOUNTS)
    page = waited(client, "/accounts").text
    sites = json.loads(waited(client, "/accounts/review.json").text)["sites"]
    assert [name.replace("&lt;", "<").replace("&gt;", ">") for name in names(page)] == [
        site["site"] for site in sites
    ]
    for column in ("site", "advice", "tightest", "p95_mbps", "share", "busy_hours", "trend", "rank"):
        up = names(waited(client, f"/accounts?sort={column}").text)
        down = names(waited(client, f"/accounts?sort={column}&down=1").text)
        assert sorted(up) == sorted(down) == sorted(names(page))
    by_name = names(waited(client, "/accounts?sort=site").text)
    assert by_name == sorted(by_name, key=lambda name: name.replace("&lt;", "<").casefold())
    share = waited(client, "/accounts?sort=share&down=1").text
    assert 'aria-sort="descending"' in share
    parts = [int(text) for text in re.findall(r'is-share">(\d+)%', share)]
    assert parts == sorted(parts, reverse=True)
    assert names(waited(client, "/accounts?sort=nothing").text) == names(page)
    assert "<b>Wharf" not in page


def test_a_client_can_be_chosen(sign: Sign) -> None:
    client = sign(ACCOUNTS)
    page = waited(client, "/accounts?client=kowhai-group").text
    assert sorted(names(page)) == ["&lt;b&gt;Wharf&lt;/b&gt; 2", "Kowhai Harbour Depot"]
    assert waited(client, "/accounts?client=nobody").status_code == 404


def test_a_clients_page_holds_its_sites_alone_and_can_be_saved(sign: Sign) -> None:
    client = sign(ACCOUNTS)
    page = waited(client, "/accounts/clients/kowhai-group")
    assert page.status_code == 200
    assert "Kowhai Harbour Depot" in page.text
    assert "&lt;b&gt;Wharf" in page.text
    assert "Mill Road" not in page.text
    assert "Corner" not in page.text
    saved = waited(client, "/accounts/clients/kowhai-group/file")
    assert saved.headers["content-disposition"] == 'attachment; filename="kowhai-group.html"'
    assert saved.text.startswith("<!doctype html>")
    assert "script" not in saved.text
    assert "default-src 'none'" in saved.headers["content-security-policy"]


def test_nobody_sees_a_client_of_whom_a_site_is_hidden(sign: Sign) -> None:
    """One place of checks: a client's page is for those who may see all of its sites."""
    half = sign(ONE_OF_TWO)
    assert names(waited(half, "/accounts").text) == ["Kowhai Harbour Depot"]
    assert '<option value="kowhai-group"' not in waited(half, "/accounts").text
    for address in ("/accounts/clients/kowhai-group", "/accounts/clients/kowhai-group/file"):
        assert half.get(address).status_code == 404
        assert sign(HELPDESK).get(address).status_code == 403
        assert waited(sign(KOWHAI), address).status_code == 200
    assert sign(KOWHAI).get("/accounts/clients/rata-group").status_code == 404
    assert sign(KOWHAI).get(f"/accounts/clients/{site_key('Corner Bakery')}").status_code == 404
    assert [site["site"] for site in waited(half, "/api/review").json()["sites"]] == ["Kowhai Harbour Depot"]


def test_many_sites_may_take_their_time() -> None:
    """The limit of a question is for so many sites: a first review of a thousand is as many questions."""
    sites = tuple(AskedSite(f"s{number}", f"s{number}", "c", "f", "d") for number in range(1000))
    assert [ReviewQuestion("s", sites[:count]).parts for count in (0, 1, 20, 21, 1000)] == [1, 1, 1, 2, 50]


def test_a_month_that_is_none_is_said_beside_it(sign: Sign) -> None:
    client = sign(ACCOUNTS)
    answer = client.get("/accounts?month=<2026>")
    assert answer.status_code == 400
    assert "such as 2026-03" in answer.text
    assert 'value="&lt;2026&gt;"' in answer.text
    assert client.get("/api/review?month=2026-13").status_code == 400
    assert client.get("/accounts/clients/kowhai-group?month=x").status_code == 400


def test_a_profile_without_rates_is_left_out_and_said(sign: Sign, store: StoreAndSites) -> None:
    profile = store.sites / "new.toml"
    profile.write_text('[site]\nname = "New"\n[[link]]\nname = "line"\ninterfaces = [2]\n', encoding="utf-8")
    try:
        client = sign(ACCOUNTS)
        for _ in range(30):  # until the catalogue has looked again
            page = waited(client, "/accounts").text
            if "new.toml" in page:
                break
            time.sleep(0.5)
        assert "new.toml: has no plan rate" in page
        assert str(Path(store.sites)) not in page
        assert "New" not in names(page)
    finally:
        profile.unlink()
