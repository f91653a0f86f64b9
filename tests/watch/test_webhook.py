"""Webhooks against real servers: what they are given, that they can verify it, and whatever they answer."""

from __future__ import annotations

import hashlib
import hmac
import json
import time
from pathlib import Path
from typing import Any

import pytest

from flowdiag.watch.as_json import event_json
from flowdiag.watch.message import Message, NotTaken
from flowdiag.watch.notify import Secret, Webhook
from flowdiag.watch.targets.webhook import post, signatures
from tests.watch.invented import NOON_MS, end, event
from tests.watch.receivers import OK, Answer, Certificate, Request, receiving, status, unused_port

SECRET = "hush-hush"
MESSAGE = Message("abcdefghabcdefgh", (event(),), NOON_MS)


def hook(url: str, **given: Any) -> Webhook:
    return Webhook(**({"name": "tickets", "url": url, "secret": Secret(SECRET), "timeout_s": 5.0} | given))


def refusal(*answers: Answer, timeout_s: float = 5.0) -> NotTaken:
    with receiving(*answers) as receiver, pytest.raises(NotTaken) as raised:
        post(hook(receiver.url, timeout_s=timeout_s), MESSAGE, NOON_MS)
    return raised.value


def test_a_receiver_is_given_the_event_and_can_verify_it_by_its_body_alone() -> None:
    with receiving() as receiver:
        post(hook(receiver.url), MESSAGE, NOON_MS)
    (request,) = receiver.requests
    signed = "sha256=" + hmac.new(SECRET.encode(), request.body, hashlib.sha256).hexdigest()
    assert request.headers["Flowdiag-Signature"] == signed
    stamped = request.headers["Flowdiag-Timestamp"].encode() + b"." + request.body
    signed = "sha256=" + hmac.new(SECRET.encode(), stamped, hashlib.sha256).hexdigest()
    assert request.headers["Flowdiag-Signature-Timestamped"] == signed
    assert request.headers["Flowdiag-Timestamp"] == str(NOON_MS // 1000)
    assert request.headers["Flowdiag-Message"] == "abcdefghabcdefgh"
    assert request.headers["Content-Type"] == "application/json"
    assert json.loads(request.body) == {
        "schema": "flowdiag.event/1",
        "key": event().key,
        "number": 1,
        "incident": event().key,
        "site": "Harbour",
        "place": "kowhai/harbour",
        "upstream": None,
        "code": "on-backup",
        "severity": "warning",
        "confidence": "high",
        "link": "line",
        "direction": None,
        "state": "began",
        "began": "2026-03-03T01:00:00+13:00",
        "ended": None,
        "told": "2026-03-03T01:02:00+13:00",
        "corrected": False,
        "or_earlier": False,
        "client": "Your main line was out, and the backup carried you.",
        "summary": "The backup carried 4.2 Mbit/s since 12:00.",
        "note": None,
        "drill": None,
    }


def test_the_program_of_the_how_to_page_verifies_it() -> None:
    page = (Path(__file__).parents[2] / "docs/howto/watch-targets.md").read_text(encoding="utf-8")
    program: dict[str, Any] = {}
    exec(page.split("```python\n")[1].partition("```")[0], program)
    with receiving() as receiver:
        post(hook(receiver.url), MESSAGE, NOON_MS)
    (request,) = receiver.requests
    secret, headers = SECRET.encode(), request.headers
    is_ours, is_ours_now = program["is_from_the_watch"], program["is_from_the_watch_now"]
    assert is_ours(secret, request.body, headers["Flowdiag-Signature"])
    assert not is_ours(b"other", request.body, headers["Flowdiag-Signature"])
    assert not is_ours(secret, request.body + b" ", headers["Flowdiag-Signature"])
    stamp, signed = headers["Flowdiag-Timestamp"], headers["Flowdiag-Signature-Timestamped"]
    assert is_ours_now(secret, request.body, stamp, signed, NOON_MS / 1000 + 10)
    assert not is_ours_now(secret, request.body, stamp, signed, NOON_MS / 1000 + 3_600)
    assert not is_ours_now(secret, request.body, str(int(stamp) + 3_600), signed, NOON_MS / 1000 + 3_600)


def test_the_how_to_page_shows_every_key_of_an_event() -> None:
    page = (Path(__file__).parents[2] / "docs/howto/watch-targets.md").read_text(encoding="utf-8")
    shown = json.loads(page.split("```json\n")[1].partition("```")[0])
    assert list(shown) == list(event_json(event(), "https://desk.example.net"))


def test_what_is_of_all_sites_together_has_no_note_at_the_desk() -> None:
    assert "url" not in event_json(event("", "not-heard"), "https://desk.example.net")


def test_the_note_of_a_silence_reaches_to_whenever_it_is_opened() -> None:
    told = event_json(event(code="not-heard"), "https://desk.example.net")["url"]
    assert told.endswith("/sites/kowhai.harbour/note?from=2026-03-03T00%3A50%3A00%2B13%3A00&to=now")


@pytest.mark.parametrize(
    ("key", "data", "digest"),
    [
        # RFC 4231, test cases 1 and 2.
        ("\x0b" * 20, b"Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
        (
            "Jefe",
            b"what do ya want for nothing?",
            "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
        ),
    ],
)
def test_signatures_are_those_of_the_standard(key: str, data: bytes, digest: str) -> None:
    assert signatures(key, "", data)[0] == f"sha256={digest}"
    assert signatures(key, data.decode(), b"")[1] == signatures(key, "", data + b".")[0]


def test_the_same_message_has_the_same_octets_each_time() -> None:
    with receiving(status(503), OK) as receiver:
        with pytest.raises(NotTaken):
            post(hook(receiver.url), MESSAGE, NOON_MS)
        post(hook(receiver.url), MESSAGE, NOON_MS + 60_000)
    first, second = receiver.requests
    assert first.body == second.body
    assert first.headers["Flowdiag-Message"] == second.headers["Flowdiag-Message"]
    assert first.headers["Flowdiag-Signature"] == second.headers["Flowdiag-Signature"]
    assert first.headers["Flowdiag-Timestamp"] != second.headers["Flowdiag-Timestamp"]


def test_without_a_secret_there_is_no_signature() -> None:
    with receiving() as receiver:
        post(hook(receiver.url, secret=None), MESSAGE, NOON_MS)
    assert "Flowdiag-Signature" not in receiver.requests[0].headers


def test_a_storm_of_three_hundred_sites_is_one_request_with_all_of_them() -> None:
    first = event("kowhai/site-0", upstream="north")
    sites = [
        event(f"kowhai/site-{n}", upstream="north", incident=first.key, note="A note.") for n in range(300)
    ]
    with receiving() as receiver:
        post(hook(receiver.url), Message("abcdefghabcdefgh", tuple(sites), NOON_MS), NOON_MS)
    (request,) = receiver.requests
    told = json.loads(request.body)
    assert (told["key"], told["site"], told["upstream"], told["code"], told["state"]) == (
        first.key, None, "north", "on-backup", "began",
    )  # fmt: skip
    assert [one["place"] for one in told["sites"]] == [f"kowhai/site-{n}" for n in range(300)]
    assert [one["note"] for one in told["sites"]] == ["A note."] * 10 + [None] * 290
    assert told["summary"].startswith("300 sites behind north: on its backup since Tue 3 Mar 01:00 NZDT")


def test_a_list_tells_the_gravest_and_when_all_were_over() -> None:
    one, other = event("a/a", severity="critical"), event("a/b", confidence="low")
    with receiving() as receiver:
        both = (one, other, end(one), end(other, 20))
        post(hook(receiver.url), Message("abcdefghabcdefgh", both, NOON_MS), NOON_MS)
    told = json.loads(receiver.requests[0].body)
    assert (told["key"], told["severity"], told["confidence"], told["state"]) == (
        "abcdefghabcdefgh", "critical", "low", None,
    )  # fmt: skip
    assert (told["began"], told["ended"]) == ("2026-03-03T01:00:00+13:00", "2026-03-03T01:20:00+13:00")


@pytest.mark.parametrize(
    ("answer", "what", "permanent", "everyone"),
    [
        (status(500, b"no room"), "HTTP 500: no room", False, False),
        (status(503), "HTTP 503", False, True),
        (status(429), "HTTP 429", False, True),
        (status(408), "HTTP 408", False, False),
        (status(425), "HTTP 425", False, False),
        (status(400, b'{"error": "no such key"}'), 'HTTP 400: {"error": "no such key"}', True, False),
        (status(401), "HTTP 401", True, False),
        (status(404), "HTTP 404", True, False),
        (status(410), "HTTP 410", True, False),
    ],
)
def test_what_a_refusal_means(answer: Answer, what: str, permanent: bool, everyone: bool) -> None:
    fault = refusal(answer)
    assert (fault.what, fault.permanent, fault.everyone) == (what, permanent, everyone)


@pytest.mark.parametrize("code", [200, 201, 202, 204])
def test_whatever_a_receiver_says_to_what_it_took_is_not_read(code: int) -> None:
    def endless(request: Request) -> None:
        request.raw(b"HTTP/1.1 %d Fine\r\nContent-Length: 1000000000\r\n\r\ngarbage" % code)
        time.sleep(3)

    began = time.monotonic()
    with receiving(endless if code != 204 else status(204)) as receiver:
        post(hook(receiver.url), MESSAGE, NOON_MS)
        assert time.monotonic() - began < 2


def test_no_redirect_is_followed() -> None:
    with receiving() as other:
        fault = refusal(status(302, Location=other.url))
        assert other.requests == []
    assert fault.what == "HTTP 302: a redirect, and none is followed"
    assert not fault.permanent


@pytest.mark.parametrize(
    ("given", "seconds"),
    [
        ("120", 120.0),
        ("Mon, 02 Mar 2026 12:05:00 GMT", 300.0),
        ("Mon, 02 Mar 2026 11:00:00 GMT", 0.0),
        ("soon", None),
        ("-5", None),
        ("9" * 90, float("9" * 90)),
        ("Mon, 99 Mar 2026 12:05:00 GMT", None),
    ],
)
def test_when_a_receiver_asks_to_be_tried_again(given: str, seconds: float | None) -> None:
    assert refusal(status(503, Retry_After=given)).after_s == seconds


def dribble(request: Request) -> None:
    """An octet of a header every tenth of a second, for ever."""
    request.wfile.write(b"HTTP/1.1 200 OK\r\nX-Long: ")
    while True:
        request.wfile.write(b"x")
        time.sleep(0.1)


def dribble_refusal(request: Request) -> None:
    request.wfile.write(b"HTTP/1.1 500 No\r\nContent-Length: 1000000\r\n\r\n")
    while True:
        request.wfile.write(b"x")
        time.sleep(0.1)


def hang(request: Request) -> None:
    time.sleep(5)


def flood(request: Request) -> None:
    request.wfile.write(b"HTTP/1.1 200 OK\r\n")
    while True:
        request.wfile.write(b"X-More: more\r\n" * 1000)


@pytest.mark.parametrize("answer", [dribble, dribble_refusal, hang, flood])
def test_nobody_is_waited_for_longer_than_the_time(answer: Answer) -> None:
    began = time.monotonic()
    fault = refusal(answer, timeout_s=1.0)
    assert time.monotonic() - began < 2.5
    assert not fault.permanent


@pytest.mark.parametrize(
    "octets",
    [
        b"",
        b"HTTP/1.1 200",
        b"\0\0\0\0",
        b"HTTP/1.1 abc OK\r\n\r\n",
        b"SSH-2.0-x\r\n",
    ],
)
def test_what_is_no_answer_is_tried_again(octets: bytes) -> None:
    fault = refusal(lambda request: request.raw(octets))
    assert not fault.permanent
    assert fault.everyone


def test_a_refusal_is_one_bounded_printable_line() -> None:
    fault = refusal(
        status(400, b"\x1b[2Jgone\r\nFlowdiag: yes\0" + "\N{RIGHT-TO-LEFT OVERRIDE}".encode() + b"x" * 9_000)
    )
    assert fault.what.isprintable()
    assert len(fault.what) <= 300


def test_nobody_there_is_tried_again_and_no_fault_has_the_address() -> None:
    with pytest.raises(NotTaken) as raised:
        post(hook(f"http://localhost:{unused_port()}/in?token=hush"), MESSAGE, NOON_MS)
    assert raised.value.everyone
    assert raised.value.what == "Connection refused"
    with pytest.raises(NotTaken, match=r"^[A-Z][a-z ]+$"):
        post(hook("http://nowhere.invalid/in"), MESSAGE, NOON_MS)


def test_a_certificate_that_is_trusted_will_do(tmp_path: Path) -> None:
    certificate = Certificate(tmp_path, "localhost")
    with receiving(context=certificate.context) as receiver:
        post(hook(receiver.url, ca_file=str(certificate.file)), MESSAGE, NOON_MS)
    assert len(receiver.requests) == 1


@pytest.mark.parametrize(("name", "trusted"), [("localhost", False), ("other.example.net", True)])
def test_a_certificate_of_nobody_or_of_another_will_not(tmp_path: Path, name: str, trusted: bool) -> None:
    certificate = Certificate(tmp_path, name)
    with receiving(context=certificate.context) as receiver:
        given = hook(receiver.url, ca_file=str(certificate.file) if trusted else None)
        with pytest.raises(NotTaken, match="its certificate is not trusted: ") as raised:
            post(given, MESSAGE, NOON_MS)
        assert receiver.requests == []
    assert not raised.value.permanent


def test_a_server_without_tls_is_given_nothing_by_https() -> None:
    with receiving() as receiver:
        with pytest.raises(NotTaken):
            post(hook(receiver.url.replace("http", "https")), MESSAGE, NOON_MS)
        assert receiver.requests == []
