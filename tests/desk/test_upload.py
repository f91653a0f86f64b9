"""An export that somebody brings to the desk: its note is the command's, what is wrong is one line, and nothing of it stays."""

from __future__ import annotations

import gzip
import io
import json
import re
import time
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import pytest
from msgspec.structs import replace
from starlette.testclient import TestClient

from flowdiag.desk import uploads
from flowdiag.desk.access.sessions import COOKIE
from flowdiag.desk.application import application
from flowdiag.desk.desk import Desk
from flowdiag.desk.people import Person
from flowdiag.desk.profile_form import filled
from flowdiag.desk.settings import Settings
from flowdiag.site.reading import read_profile
from tests.desk.conftest import BASE, StoreAndSites, form_token, waited

HELPDESK: Final = Person("helpdesk", frozenset({"helpdesk"}), ("*",))
LARGEST: Final = 4 << 20
Sign = Callable[[Person], TestClient]


@pytest.fixture(scope="module")
def small(store_and_sites: StoreAndSites, tmp_path_factory: pytest.TempPathFactory, demo: Path) -> Desk:
    """A desk that takes small uploads, and has the demo's site beside the others."""
    folder = tmp_path_factory.mktemp("sites")
    for place in ("kowhai-group/harbour", "corner"):
        file = folder / f"{place}.toml"
        file.parent.mkdir(exist_ok=True)
        file.write_bytes((store_and_sites.sites / f"{place}.toml").read_bytes())
    (folder / "demo.toml").write_bytes((demo / "site.toml").read_bytes())
    settings = Settings(str(store_and_sites.store), folder, tmp_path_factory.mktemp("state"), jobs=2)
    return Desk(replace(settings, largest_upload=LARGEST))


@pytest.fixture(scope="module")
def sign(small: Desk) -> Iterator[Sign]:
    app = application(small)
    with TestClient(app, base_url=BASE) as served:

        def make(person: Person = HELPDESK) -> TestClient:
            client = TestClient(app, base_url=BASE)
            client.portal = served.portal
            client.cookies.set(COOKIE, small.sessions.begin(person).key, domain="127.0.0.1")
            return client

        yield make


@pytest.fixture
def client(sign: Sign, small: Desk) -> Iterator[TestClient]:
    """A browser of the helpdesk; whatever it brought is gone afterwards, by its sign-out."""
    made = sign(HELPDESK)
    yield made
    made.post("/sign-out", data={"form_token": form_token(made)})
    assert left(small) == []


def left(desk: Desk) -> list[Path]:
    """What lies on disk of uploads."""
    for _ in range(50):
        found = list((desk.settings.state / "uploads").rglob("*"))
        if not found:
            break
        time.sleep(0.1)
    return found


def bring(client: TestClient, content: bytes, name: str = "export.pcap") -> Any:
    return client.post("/upload", data={"form_token": form_token(client)}, files={"file": (name, content)})


def seen(client: TestClient, content: bytes, name: str = "export.pcap") -> Any:
    """The page of what was brought."""
    answer = bring(client, content, name)
    return waited(client, answer.url.path) if answer.status_code == 202 else answer


def fields(page: str) -> dict[str, str]:
    """What a browser would send of the form about the site, as it stands."""
    found = dict(re.findall(r'<input id="([^"]+)" name="[^"]+" value="([^"]*)"', page))
    found |= dict(re.findall(r'<textarea id="([^"]+)"[^>]*>([^<]*)</textarea>', page))
    for name, options in re.findall(r'<select id="([^"]+)".*?>(.*?)</select>', page, re.S):
        found[name] = re.search(r'value="([^"]*)" selected', options)[1]
    found |= dict(
        re.findall(r'<input type="(?:checkbox|radio)" name="([^"]+)" value="([^"]*)" checked', page)
    )
    return found


def fault(page: Any) -> str:
    """The one line that says what is wrong."""
    lines = re.findall(r'<p class="fault" role="alert">(.*?)</p>', page.text)
    assert len(lines) == 1
    assert str(Path("/")) + "tmp" not in page.text
    return lines[0]


def test_from_file_to_note_and_nothing_is_left(client: TestClient, small: Desk, demo: Path) -> None:
    page = seen(client, (demo / "export.pcap").read_bytes())
    assert "12,508" in page.text
    address = page.url.path
    form = fields(page.text)
    first = re.search(r"<dt>First flow</dt><dd>(.*?)</dd>", page.text)[1]
    assert re.fullmatch(
        r"\w+day \d+ \w+ 2026, \d\d:\d\d:\d\d NZ[DS]T", first
    )  # by the clock of the site with that exporter
    assert "steady pace" not in page.text
    assert "write primary" not in page.text
    assert (form["whose"], form["site"]) == ("desk", read_profile(demo / "site.toml").site.name)
    form |= {
        "form_token": form_token(client), "whose": "drafted", "site.name": "Brought <b>in</b>",
        "said": "video calls freeze", "ticket": "T-1042",
    }  # fmt: skip
    assert form["site.timezone"] == ""  # which no export tells
    refused = client.post(address, data=form)
    assert refused.status_code == 400
    assert 'id="fault-site.timezone">Missing: the site&#39;s time zone' in refused.text
    assert " UTC</dd>" in refused.text
    form["site.timezone"] = "America/Toronto"
    refused = client.post(address, data=form)
    assert refused.status_code == 400
    assert "ST</dd>" in refused.text or "DT</dd>" in refused.text
    assert " UTC</dd>" not in refused.text
    rates = [name for name in form if name.endswith("_mbps")]
    assert len(rates) == 4
    for name in rates:
        assert f'id="fault-{name}">Missing: the plan&#39;s rate in Mbit/s<' in refused.text
    assert "video calls freeze" in refused.text
    form |= dict.fromkeys(rates, "20") | {rates[0]: "<100>"}
    refused = client.post(address, data=form)
    assert re.findall(r'id="fault-([^"]+)"', refused.text) == [rates[0]]
    assert 'value="&lt;100&gt;"' in refused.text
    answer = client.post(address, data=form | {rates[0]: "100"})
    note = waited(client, f"{address}/note")
    assert answer.status_code in (200, 202)
    assert "Brought &lt;b&gt;in&lt;/b&gt;" in note.text
    assert "T-1042" in note.text
    as_json = client.get(f"{address}/note/json").json()
    assert (as_json["ticket"], as_json["reported"]) == ("T-1042", "video calls freeze")
    assert str(small.settings.state) not in json.dumps(as_json)
    for kind in ("text", "markdown", "page", "brief"):
        saved = client.get(f"{address}/note/{kind}")
        assert saved.headers["content-disposition"].startswith("attachment")
        assert "T-1042" in saved.text
    assert client.get(f"{address}/note/pdf").status_code == 404
    assert client.post(f"{address}/keep", data=form).status_code == 404  # of no site of the desk
    kept = list(small.answers._kept)
    assert client.post(f"{address}/end", data=form).url.path == "/upload"
    assert left(small) == []
    assert len(small.answers._kept) < len(kept)
    assert client.get(address).status_code == 404
    assert client.get(f"{address}/note/json").status_code == 404


def test_a_note_of_a_site_of_the_desk_may_be_kept(client: TestClient, small: Desk, demo: Path) -> None:
    page = seen(client, (demo / "export.ipfix").read_bytes(), "export.ipfix")
    form = fields(page.text) | {
        "form_token": form_token(client),
        "ticket": "T-9",
        "whose": "desk",
        "site": "demo",
    }
    posted = client.post(page.url.path, data=form)
    assert posted.status_code in (200, 202), re.findall(r"fault.*", posted.text)
    note = waited(client, f"{page.url.path}/note")
    assert "Keep this note" in note.text
    text = client.get(f"{page.url.path}/note/text").text
    kept = client.post(f"{page.url.path}/keep", data=form)
    assert re.fullmatch(r"/sites/demo/notes/[a-z2-7]{24}", kept.url.path)
    assert client.get(f"{kept.url.path}/text").text == text
    assert left(small) == []


def test_which_site_is_meant_is_said_or_asked_again(client: TestClient, demo: Path) -> None:
    page = seen(client, (demo / "export.pcap").read_bytes())
    token = form_token(client)
    for words, said in (
        ("nowhere", "no site of yours"),
        ("o", "several sites have that"),
        ("", "no site of yours"),
    ):
        again = client.post(page.url.path, data={"form_token": token, "whose": "desk", "site": words})
        assert again.status_code == 400
        assert said in re.search(r'id="fault-site">(.*?)<', again.text)[1]
    when = client.post(
        page.url.path, data={"form_token": token, "whose": "desk", "site": "corner", "when": "1 to 2 to 3"}
    )
    assert "more than two times" in re.search(r'id="fault-when">(.*?)<', when.text)[1]


def test_a_time_that_cannot_be_is_said_in_the_form(client: TestClient, demo: Path) -> None:
    page = seen(client, (demo / "export.pcap").read_bytes())
    form = fields(page.text) | {
        "form_token": form_token(client),
        "when": "3 January 2020 10:00 to 2 January 2020 09:00",
    }
    client.post(page.url.path, data=form)
    note = waited(client, f"{page.url.path}/note")
    assert note.status_code == 400
    assert "the window begins at" in fault(note)
    assert "3 January 2020 10:00" in note.text


def packed_bomb() -> bytes:
    return gzip.compress(b"\0" * (300 << 20), 9)


def zipped() -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr("../../export.pcap", b"\0" * (50 << 20))
    return file.getvalue()


HOSTILE: Final = {
    "a gzip bomb": packed_bomb,
    "a zip bomb": zipped,
    "a text": lambda: b"hello\n" * 1000,
    "a picture": lambda: b"\x89PNG\r\n\x1a\n" + b"\0" * 5000,
    "one octet": lambda: b"\0",
    "a page": lambda: b"<!doctype html><script>alert(1)</script>" * 100,
    "a head of a capture": lambda: bytes.fromhex("d4c3b2a1020004000000000000000000ffff000001000000"),
}  # fmt: skip


@pytest.mark.parametrize("kind", HOSTILE)
def test_what_is_no_export_is_one_line_and_goes_at_once(client: TestClient, small: Desk, kind: str) -> None:
    page = seen(client, HOSTILE[kind](), "<i>x.pcap")
    assert page.status_code == 400
    assert fault(page).startswith(
        "Nothing in this file can be used as a router&#39;s flow export. In detail: "
    )
    assert "&lt;i&gt;x.pcap" in fault(page)
    assert left(small) == []


def test_a_capture_that_was_cut_is_read_up_to_there(client: TestClient, demo: Path) -> None:
    content = (demo / "export.pcap").read_bytes()
    page = seen(client, content[: len(content) // 2 + 7])
    assert page.status_code == 200
    assert "Read with doubt" in page.text


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("../../../etc/passwd", "passwd"),
        ("..\\..\\boot.ini", "boot.ini"),
        ("/dev/stdin", "stdin"),
        ("-", "-"),
        ("<script>alert(1)</script>.pcap", "script&gt;.pcap"),
        ("a" * 3000, "a" * 40),
        ("x\u202egpj.pcap", "gpj.pcap"),
        ("..", ".."),
    ],
)
def test_a_name_is_only_shown(client: TestClient, small: Desk, demo: Path, name: str, shown: str) -> None:
    page = seen(client, (demo / "export.ipfix").read_bytes(), name)
    assert page.status_code == 200
    heading = re.search(r"<h1><bdi>(.*?)</bdi></h1>", page.text)[1]
    assert shown in heading
    assert "<script" not in heading
    assert "\u202e" not in heading
    assert len(heading) < 200
    files = [path for path in (small.settings.state / "uploads").rglob("*") if path.is_file()]
    assert [path.name for path in files] == ["export"]
    assert oct(files[0].stat().st_mode & 0o777) == "0o600"
    assert oct(files[0].parent.stat().st_mode & 0o777) == "0o700"


def test_nothing_chosen_and_nothing_in_it(client: TestClient, small: Desk) -> None:
    assert "no file was chosen" in fault(bring(client, b""))
    token = form_token(client)
    boundary = {"content-type": "multipart/form-data; boundary=xx"}
    only = f'--xx\r\nContent-Disposition: form-data; name="form_token"\r\n\r\n{token}\r\n--xx--\r\n'
    assert client.post("/upload", content=only, headers=boundary).status_code == 400
    assert left(small) == []


def multipart(token: str, parts: Iterator[bytes], name: str = "big") -> Iterator[bytes]:
    yield f'--xx\r\nContent-Disposition: form-data; name="form_token"\r\n\r\n{token}\r\n'.encode()
    yield f'--xx\r\nContent-Disposition: form-data; name="file"; filename="{name}"\r\n\r\n'.encode()
    yield from parts
    yield b"\r\n--xx--\r\n"


@pytest.mark.parametrize("length", [None, "1000", str(1 << 40), "-5", "many"])
def test_what_is_too_large_is_refused_whatever_length_it_states(
    client: TestClient, small: Desk, length: str | None
) -> None:
    """Chunked without a length, with one that lies, and with one that tells the truth."""
    headers = {"content-type": "multipart/form-data; boundary=xx"}
    if length is not None:
        headers["content-length"] = length
    body = multipart(form_token(client), (b"\0" * 65_536 for _ in range(200)))
    answer = client.post("/upload", content=body, headers=headers)
    assert answer.status_code == 413
    assert left(small) == []


def test_a_form_from_elsewhere_leaves_no_octet(client: TestClient, small: Desk, demo: Path) -> None:
    content = (demo / "export.pcap").read_bytes()
    for token in ("", "x", "é"):
        answer = client.post("/upload", data={"form_token": token}, files={"file": ("x", content)})
        assert answer.status_code == 403
    answer = client.post("/upload", files={"file": ("x", content)})
    assert answer.status_code == 403
    assert left(small) == []
    for body, headers in (
        (content, {"content-type": "application/octet-stream"}),
        (b"--xx\r\nbroken", {"content-type": "multipart/form-data; boundary=xx"}),
        (b"".join(multipart(form_token(client), iter([content])))[:-20], {"content-type": "multipart/form-data; boundary=xx"}),
        (b"", {"content-type": "multipart/form-data"}),
    ):  # fmt: skip
        assert client.post("/upload", content=body, headers=headers).status_code in (400, 403, 415)
    assert left(small) == []


def test_so_many_at_once_and_no_more(client: TestClient, small: Desk, demo: Path) -> None:
    content = (demo / "export.ipfix").read_bytes()
    for _ in range(uploads.MOST_OF_ONE):
        assert bring(client, content).status_code in (200, 202)
    refused = bring(client, content)
    assert refused.status_code == 429
    assert "a minute after its page was left" in refused.text


def test_what_was_left_makes_room_for_the_next(client: TestClient, demo: Path) -> None:
    content = (demo / "export.ipfix").read_bytes()
    addresses = [seen(client, content).url.path for _ in range(uploads.MOST_OF_ONE)]
    for address in addresses:
        client.post(f"{address}/leave", data={"form_token": form_token(client)})
    assert client.get(addresses[0]).status_code == 200  # somebody came back to it
    assert bring(client, content).status_code in (200, 202)
    assert [client.get(address).status_code for address in addresses] == [200, 404]


def test_an_export_of_another_router_is_told_in_plain_words(client: TestClient, demo: Path) -> None:
    page = seen(client, (demo / "export.pcap").read_bytes())
    form = fields(page.text) | {"form_token": form_token(client), "whose": "desk", "site": "corner"}
    client.post(page.url.path, data=form)
    said = fault(waited(client, f"{page.url.path}/note"))
    assert "This export is not from this site&#39;s router (10.200.0.5). Choose another site" in said
    assert "site.exporters" not in said


def test_an_upload_is_its_sessions_alone(client: TestClient, sign: Sign, demo: Path) -> None:
    address = seen(client, (demo / "export.pcap").read_bytes()).url.path
    for person in (HELPDESK, Person("other", frozenset({"engineer"}), ("*",))):
        other = sign(person)
        for path in (address, f"{address}/note", f"{address}/note/json"):
            assert other.get(path).status_code == 404
        for path in (address, f"{address}/end", f"{address}/keep", f"{address}/leave"):
            assert other.post(path, data={"form_token": form_token(other)}).status_code == 404
    for role in ("accounts", "client"):
        assert sign(Person("x", frozenset({role}), ("*",))).get("/upload").status_code == 403
    assert client.get(address).status_code == 200


def test_an_upload_that_nobody_uses_goes(
    client: TestClient, small: Desk, demo: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(uploads, "LEFT_S", 0.0)
    address = seen(client, (demo / "export.pcap").read_bytes()).url.path
    assert client.post(f"{address}/leave", data={"form_token": form_token(client)}).status_code == 204
    assert client.get(address).status_code == 404
    assert left(small) == []


def test_what_a_killed_desk_left_goes_when_the_next_begins(tmp_path: Path) -> None:
    (tmp_path / "uploads" / "x").mkdir(parents=True)
    (tmp_path / "uploads" / "x" / "export").write_bytes(b"flows")
    uploads.Uploads(tmp_path / "uploads", LARGEST, lambda key: None)
    assert list(tmp_path.iterdir()) == []


def test_faults_of_a_form_stand_beside_their_fields() -> None:
    came_to = filled(
        {
            "site.name": "x", "site.timezone": "Mars", "site.lan": "192.168.1.0/24 no",
            "link.0.name": "a", "link.0.role": "", "link.0.interfaces": "7",
            "link.1.name": "b", "link.1.role": "primary", "link.1.interfaces": "2, x", "link.1.down_mbps": "1e400",
            "link.3.name": "b", "link.3.role": "backup", "link.3.interfaces": "3", "link.3.down_mbps": "5",
            "link.3.up_mbps": "-1", "link.3.keepalive.1.use": "1", "link.3.keepalive.1.destination": "192.0.2.1",
            "link.3.keepalive.1.protocol": "udp", "link.3.keepalive.1.interval_s": "10",
        }
    )  # fmt: skip
    assert came_to.profile is None
    assert set(came_to.faults) == {
        "site.timezone", "site.lan", "link.1.interfaces", "link.1.down_mbps", "link.1.up_mbps", "link.3.up_mbps",
        "link.3.keepalive.1.port",
    }  # fmt: skip
    assert "" in filled({"site.name": "x", "site.timezone": "UTC"}).faults


def test_what_is_missing_is_asked_for_in_words() -> None:
    faults = filled({"site.name": " ", "link.0.role": "primary", "link.0.down_mbps": "100"}).faults
    assert {
        name: faults[name] for name in ("site.name", "site.timezone", "link.0.name", "link.0.up_mbps")
    } == {
        "site.name": "Missing: what the note is to call the site",
        "site.timezone": "Missing: the site's time zone, such as Pacific/Auckland",
        "link.0.name": "Missing: a name for this line",
        "link.0.up_mbps": "Missing: the plan's rate in Mbit/s",
    }
    assert "link.0.down_mbps" not in faults
