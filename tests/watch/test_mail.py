"""Mails against a real server (aiosmtpd), with and without TLS: what they look like, and whatever the server answers."""

from __future__ import annotations

import email
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from email.message import EmailMessage
from email.policy import SMTP as POLICY
from pathlib import Path
from typing import Any

import html5lib
import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult
from msgspec.structs import replace

from flowdiag.watch.message import Message, NotTaken
from flowdiag.watch.notify import Mail, Secret
from flowdiag.watch.targets.mail import send, written
from flowdiag.watch.targets.mail_text import INCIDENTS
from tests.watch.invented import NOON_MS, end, event
from tests.watch.receivers import Certificate, unused_port

MESSAGE = Message("abcdefghabcdefgh", (event(),), NOON_MS)


class Mailbox:
    """Takes mails, or says what it is told to."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self.envelopes: list[Any] = []
        self.at_data = "250 OK"
        self.at_rcpt: dict[str, str] = {}

    async def handle_RCPT(  # noqa: N802
        self, server: SMTP, session: Any, envelope: Any, address: str, options: Any
    ) -> str:
        answer = self.at_rcpt.get(address, "250 OK")
        if answer.startswith("250"):
            envelope.rcpt_tos.append(address)
        return answer

    async def handle_DATA(self, server: SMTP, session: Any, envelope: Any) -> str:  # noqa: N802
        if self.at_data.startswith("250"):
            self.envelopes.append((session.ssl is not None, envelope.mail_from, envelope.rcpt_tos))
            self.mails.append(email.message_from_bytes(envelope.content, policy=POLICY))  # type: ignore[arg-type]
        return self.at_data


def authenticator(_: Any, __: Any, ___: Any, mechanism: str, given: Any) -> AuthResult:
    return AuthResult(success=(given.login, given.password) == (b"watch", b"hush"), handled=False)


@contextmanager
def mail_server(mailbox: Mailbox, **given: Any) -> Iterator[int]:
    controller = Controller(mailbox, hostname="127.0.0.1", port=unused_port(), **given)
    controller.start()
    try:
        yield controller.port
    finally:
        controller.stop()


def target(port: int, **given: Any) -> Mail:
    fields = {"name": "noc", "host": "localhost", "port": port, "sender": "watch@example.net"}
    return Mail(**(fields | {"to": ("noc@example.net",), "tls": "none", "timeout_s": 5.0} | given))


def refusal(mailbox: Mailbox, message: Message = MESSAGE, **given: Any) -> NotTaken:
    with mail_server(mailbox) as port, pytest.raises(NotTaken) as raised:
        send(target(port, **given), message, NOON_MS)
    return raised.value


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Certificate:
    return Certificate(tmp_path_factory.mktemp("certificate"), "localhost")


def test_a_mail_says_what_began_as_text_and_as_html() -> None:
    mailbox = Mailbox()
    message = replace(
        MESSAGE,
        events=(event(note="Verdict\n  on its backup\n"),),
        desk="https://desk.example.net",
    )
    with mail_server(mailbox) as port:
        send(target(port, to=("noc@example.net", "mere@example.net")), message, NOON_MS)
    (mail,) = mailbox.mails
    assert mailbox.envelopes == [(False, "watch@example.net", ["noc@example.net", "mere@example.net"])]
    assert mail["Subject"] == "Harbour: on its backup since Tue 3 Mar 01:00 NZDT"
    text = mail.get_body(("plain",)).get_content().replace("\r\n", "\n")  # type: ignore[union-attr]
    assert text == (
        "Harbour: on its backup since Tue 3 Mar 01:00 NZDT\n\n"
        "warning, sure\n"
        "For the client: Your main line was out, and the backup carried you.\n"
        "For an engineer: The backup carried 4.2 Mbit/s since 12:00.\n"
        "Read the note: https://desk.example.net/sites/kowhai.harbour/note"
        "?from=2026-03-03T00%3A50%3A00%2B13%3A00&to=2026-03-03T01%3A02%3A00%2B13%3A00\n\n"
        "Verdict\n  on its backup\n\n"
        f"Key, to acknowledge or mute this: {event().key}\n\n"
        "Acknowledge or mute it at the desk: https://desk.example.net/all-sites#incidents\n"
    )
    page = mail.get_body(("html",)).get_content().replace("\r\n", "\n")  # type: ignore[union-attr]
    html5lib.HTMLParser(strict=True).parse(page)
    assert "Your main line was out, and the backup carried you." in page
    assert "<pre" in page
    assert "  on its backup\n" in page


def test_the_desk_has_the_page_that_a_mail_leads_to() -> None:
    from flowdiag.desk.pages.watch import BOARD

    assert f"{BOARD}#incidents" == INCIDENTS
    templates = Path(__file__).parents[2] / "flowdiag/desk/templates"
    assert 'id="incidents"' in (templates / "watch_parts.html").read_text(encoding="utf-8")


def test_headers_are_those_of_the_standards() -> None:
    """RFC 5322 3.6: From and Date, one of each, To, Message-ID; 2.1.1: lines of at most 998 octets; RFC 3834 5."""
    mail = written(target(25), MESSAGE, NOON_MS)
    for name in ("From", "Date", "To", "Subject", "Message-ID", "In-Reply-To", "References"):
        assert len(mail.get_all(name, [])) == 1
    assert mail["Date"] == "Mon, 02 Mar 2026 12:00:00 +0000"
    assert mail["Message-ID"] == "<abcdefghabcdefgh@example.net>"
    assert mail["Auto-Submitted"] == "auto-generated"
    octets = mail.as_bytes(policy=POLICY)
    assert octets.isascii()
    assert max(map(len, octets.split(b"\r\n"))) <= 998
    long = replace(MESSAGE, events=(event(note="x" * 5_000 + "\n" + "ā" * 5_000, site="ā" * 150),))
    octets = written(target(25), long, NOON_MS).as_bytes(policy=POLICY)
    assert octets.isascii()
    assert max(map(len, octets.split(b"\r\n"))) <= 998


@pytest.mark.parametrize("site", ["Harbour Ferries " * 8, "Kāinga " * 20])
def test_a_long_subject_is_read_as_it_was_written(site: str) -> None:
    mailbox, name = Mailbox(), site.strip()
    with mail_server(mailbox) as port:
        send(target(port), replace(MESSAGE, events=(event(site=name),)), NOON_MS)
    (mail,) = mailbox.mails
    assert mail["Subject"] == f"{name}: on its backup since Tue 3 Mar 01:00 NZDT"


def test_all_mails_of_an_incident_are_one_thread_and_each_has_a_name() -> None:
    begin = event()
    mails = [
        written(target(25), Message(name, (one,), NOON_MS), NOON_MS)
        for name, one in (("aaaaaaaaaaaaaaaa", begin), ("bbbbbbbbbbbbbbbb", end(begin)))
    ]
    assert len({mail["Message-ID"] for mail in mails}) == 2
    assert {mail["References"] for mail in mails} == {f"<{begin.incident}.incident@example.net>"}
    assert {mail["In-Reply-To"] for mail in mails} == {f"<{begin.incident}.incident@example.net>"}
    several = written(target(25), replace(MESSAGE, events=(begin, event("kowhai/corner"))), NOON_MS)
    assert several["References"] is None


def test_no_text_can_make_a_header_or_markup() -> None:
    evil = event(
        site="Harbour\r\nBcc: all@example.net\r\n\r\n<script>alert(1)</script>",
        client="<img src=x onerror=alert(1)>",
        note="</pre><script>alert(1)</script>\x1b[2J",
    )
    mail = written(target(25), replace(MESSAGE, events=(evil,)), NOON_MS)
    read = email.message_from_bytes(mail.as_bytes(policy=POLICY), policy=POLICY)
    assert read["Bcc"] is None
    assert read["Subject"].startswith("Harbour Bcc: all@example.net")
    page = read.get_body(("html",)).get_content()  # type: ignore[attr-defined]
    assert "<script" not in page
    assert "<img" not in page
    assert "\x1b" not in page
    assert "\x1b" not in read.get_body(("plain",)).get_content()  # type: ignore[attr-defined]


def test_a_storm_is_one_mail_with_the_list_and_five_told_wholly() -> None:
    first = event("kowhai/site-0", upstream="north")
    sites = tuple(event(f"kowhai/site-{n}", upstream="north", incident=first.key) for n in range(300))
    mail = written(target(25), replace(MESSAGE, events=sites), NOON_MS)
    assert mail["Subject"] == "300 sites behind north: on its backup since Tue 3 Mar 01:00 NZDT"
    text = mail.get_body(("plain",)).get_content()  # type: ignore[union-attr]
    assert text.count("\n- Site-") == 300
    assert "Began:\n- Site-0: on its backup, line, since Tue 3 Mar 01:00 NZDT\n" in text
    assert text.count("For the client:") == 5


def test_what_was_held_in_quiet_hours_says_so_and_what_began_and_ended_meanwhile() -> None:
    one, other, third = event("a/harbour"), event("a/corner"), event("a/depot")
    events = (one, other, third, end(one), end(event("a/earlier")))
    mail = written(target(25), replace(MESSAGE, events=events, quiet=True), NOON_MS)
    assert mail["Subject"] == "5 changes at 4 sites, in quiet hours"
    text = mail.get_body(("plain",)).get_content()  # type: ignore[union-attr]
    assert "Held in quiet hours." in text
    assert (
        "Began:\n"
        "- Corner: on its backup, line, since Tue 3 Mar 01:00 NZDT\n"
        "- Depot: on its backup, line, since Tue 3 Mar 01:00 NZDT\n\n"
        "Ended:\n"
        "- Earlier: on its backup, line, Tue 3 Mar 01:00 to 01:10 NZDT (10 minutes)\n\n"
        "Began and ended:\n"
        "- Harbour: on its backup, line, Tue 3 Mar 01:00 to 01:10 NZDT (10 minutes)\n" in text
    )


# TLS and passwords.


def test_by_starttls_nothing_goes_in_clear(certificate: Certificate) -> None:
    mailbox = Mailbox()
    given = {
        "tls_context": certificate.context,
        "require_starttls": True,
        "authenticator": authenticator,
        "auth_required": True,
    }
    with mail_server(mailbox, **given) as port:
        trusting = target(port, tls="starttls", ca_file=str(certificate.file), username="watch")
        send(replace(trusting, password=Secret("hush")), MESSAGE, NOON_MS)
        assert mailbox.envelopes == [(True, "watch@example.net", ["noc@example.net"])]
        with pytest.raises(NotTaken, match="SMTP 535") as raised:
            send(replace(trusting, password=Secret("wrong")), MESSAGE, NOON_MS)
        assert not raised.value.permanent  # somebody will mend it
        assert raised.value.everyone
        assert "wrong" not in raised.value.what


def test_a_server_that_offers_no_starttls_is_given_nothing() -> None:
    mailbox = Mailbox()
    fault = refusal(mailbox, tls="starttls", username="watch", password=Secret("hush"))
    assert fault.what == "the server offers no STARTTLS"
    assert not fault.permanent
    assert mailbox.mails == []


def test_a_certificate_of_nobody_is_given_nothing(certificate: Certificate) -> None:
    mailbox = Mailbox()
    with (
        mail_server(mailbox, tls_context=certificate.context) as port,
        pytest.raises(NotTaken, match="its certificate is not trusted: "),
    ):
        send(target(port, tls="starttls"), MESSAGE, NOON_MS)
    assert mailbox.mails == []


def test_implicit_tls_will_do_too(certificate: Certificate) -> None:
    mailbox = Mailbox()
    with mail_server(mailbox, ssl_context=certificate.context) as port:
        send(target(port, tls="implicit", ca_file=str(certificate.file)), MESSAGE, NOON_MS)
    assert len(mailbox.mails) == 1


# Refusals.


@pytest.mark.parametrize(
    ("answer", "permanent"),
    [("452 no room", False), ("451 later", False), ("554 never", True), ("550 spam", True)],
)
def test_a_refused_mail_is_tried_again_or_never(answer: str, permanent: bool) -> None:
    mailbox = Mailbox()
    mailbox.at_data = answer
    fault = refusal(mailbox)
    assert (fault.what, fault.permanent, fault.everyone) == (
        f"SMTP {answer[:3]}: {answer[4:]}",
        permanent,
        False,
    )


def test_a_refused_recipient_does_not_take_the_mail_from_others() -> None:
    mailbox = Mailbox()
    mailbox.at_rcpt = {"gone@example.net": "550 no such user", "later@example.net": "450 later"}
    with mail_server(mailbox) as port:
        send(target(port, to=("gone@example.net", "noc@example.net")), MESSAGE, NOON_MS)
    assert mailbox.envelopes == [(False, "watch@example.net", ["noc@example.net"])]
    assert refusal(mailbox, to=("gone@example.net",)).permanent
    assert not refusal(mailbox, to=("gone@example.net", "later@example.net")).permanent


def test_nobody_there_is_tried_again() -> None:
    with pytest.raises(NotTaken) as raised:
        send(target(unused_port()), MESSAGE, NOON_MS)
    assert (raised.value.permanent, raised.value.everyone) == (False, True)
    assert raised.value.what == "Connection refused"


@contextmanager
def speaking(talk: Callable[[socket.socket], None]) -> Iterator[int]:
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            stream, _ = server.accept()
            with stream, suppress(OSError):
                talk(stream)

        threading.Thread(target=serve, daemon=True).start()
        yield server.getsockname()[1]


def dribble(stream: socket.socket) -> None:
    stream.sendall(b"220-")
    while True:
        stream.sendall(b"x")
        time.sleep(0.1)


def endless(stream: socket.socket) -> None:
    while True:
        stream.sendall(b"220-welcome\r\n" * 100)
        time.sleep(0.01)


def silent(stream: socket.socket) -> None:
    stream.recv(1)


@pytest.mark.parametrize("talk", [dribble, endless, silent])
def test_nobody_is_waited_for_longer_than_the_time(talk: Callable[[socket.socket], None]) -> None:
    began = time.monotonic()
    with speaking(talk) as port, pytest.raises(NotTaken, match="not done within 1 s") as raised:
        send(target(port, timeout_s=1.0), MESSAGE, NOON_MS)
    assert time.monotonic() - began < 2.5
    assert not raised.value.permanent


@pytest.mark.parametrize(
    "octets", [b"", b"HTTP/1.1 200 OK\r\n\r\n", b"\0\xff\r\n", b"554 go away\x1b[2J\r\n", b"22"]
)
def test_what_is_no_mail_server_is_tried_again(octets: bytes) -> None:
    with speaking(lambda stream: stream.sendall(octets)) as port, pytest.raises(NotTaken) as raised:
        send(target(port), MESSAGE, NOON_MS)
    assert not raised.value.permanent
    assert raised.value.what.isprintable()


def test_tls_that_takes_for_ever_is_cut(certificate: Certificate) -> None:
    """The server says that it is ready for TLS, and then nothing."""

    def talk(stream: socket.socket) -> None:
        stream.sendall(b"220 hello\r\n")
        stream.recv(1000)
        stream.sendall(b"250-hello\r\n250 STARTTLS\r\n")
        stream.recv(1000)
        stream.sendall(b"220 ready\r\n")
        time.sleep(10)

    began = time.monotonic()
    with speaking(talk) as port, pytest.raises(NotTaken):
        send(target(port, tls="starttls", timeout_s=1.0), MESSAGE, NOON_MS)
    assert time.monotonic() - began < 3


def test_what_a_server_says_before_tls_does_not_count_after_it(certificate: Certificate) -> None:
    """An answer that somebody on the way put behind "ready" (RFC 3207 6) is not taken for one to what was said by TLS."""

    def talk(stream: socket.socket) -> None:
        stream.sendall(b"220 hello\r\n")
        stream.recv(1000)
        stream.sendall(b"250-hello\r\n250 STARTTLS\r\n")
        stream.recv(1000)
        stream.sendall(b"220 ready\r\n250 hello\r\n250 OK\r\n250 OK\r\n354 go on\r\n250 taken\r\n")
        with certificate.context.wrap_socket(stream, server_side=True) as inner:
            inner.recv(1000)
            inner.sendall(b"554 nothing here\r\n")

    given = {"tls": "starttls", "ca_file": str(certificate.file)}
    with speaking(talk) as port, pytest.raises(NotTaken):
        send(target(port, **given), MESSAGE, NOON_MS)
