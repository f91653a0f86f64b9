"""A mail to an SMTP server.

Facts the design follows:
- a server that is asked for STARTTLS and does not offer it may be somebody on the way who took the offer out (RFC 3207 6): then
  nothing is sent, no password either, unless the file says that all may go in clear;
- 4yz means "later", 5yz means "never" (RFC 5321 4.2.1); but a refusal before the mail was offered (greeting, TLS, password) says
  nothing of the mail, and somebody will mend it: it is tried again;
- mail programs put together what names the same message as its origin (RFC 5322 3.6.4): all messages of an incident do, by a name
  made of its key. Message-ID is made of the message's name, so that a repeat is known;
- what answers by itself must not answer this (RFC 3834 5);
- timeouts of a socket start anew with each octet, so a timer ends what takes too long.
"""

from __future__ import annotations

import smtplib
import socket
import ssl
import time
from contextlib import suppress
from email.message import EmailMessage
from email.utils import format_datetime
from functools import lru_cache
from threading import Timer
from typing import Final

from flowdiag.site.clock import LocalTime
from flowdiag.text.escape import terminal
from flowdiag.text.wording.watch import telling as words
from flowdiag.watch.message import Message, NotTaken, plainly
from flowdiag.watch.notify import Mail
from flowdiag.watch.targets.mail_text import as_html, as_text

LONGEST_SUBJECT: Final = 200
_PERMANENT: Final = 500


def send(target: Mail, message: Message, now_ms: int) -> None:
    """Raises NotTaken. Where some of several recipients are refused, the mail is sent to the others, and not again."""
    mail = written(target, message, now_ms)
    guard = _Guard(target.timeout_s)
    try:
        with guard:
            _hand_over(target, mail, guard)
    except smtplib.SMTPRecipientsRefused as fault:
        code, said = min(fault.recipients.values())  # 4yz before 5yz: one of them may take it later
        raise NotTaken(_answer(code, said), permanent=code >= _PERMANENT) from None
    except (smtplib.SMTPException, OSError, ValueError, AttributeError) as fault:
        # A socket that the timer ended fails in many ways.
        raise _not_taken(fault, target, late=guard.is_over) from None


def written(target: Mail, message: Message, now_ms: int) -> EmailMessage:
    """The whole mail (RFC 5322)."""
    domain = target.sender.rpartition("@")[2]
    mail = EmailMessage()
    mail["From"] = target.sender
    mail["To"] = ", ".join(target.to)
    mail["Subject"] = terminal(words.headline(message.events, quiet=message.quiet), longest=LONGEST_SUBJECT)
    mail["Date"] = format_datetime(LocalTime("UTC").local(now_ms).replace(microsecond=0))
    mail["Message-ID"] = f"<{message.name}@{domain}>"
    incidents = {event.incident for event in message.events}
    if len(incidents) == 1:
        origin = f"<{incidents.pop()}.incident@{domain}>"
        mail["In-Reply-To"] = origin
        mail["References"] = origin
    mail["Auto-Submitted"] = "auto-generated"
    # Whatever a server knows, these octets pass it.
    mail.set_content(as_text(message), cte="quoted-printable")
    mail.add_alternative(as_html(message), subtype="html", cte="quoted-printable")
    if mail["Subject"].isascii():
        # Folded where the standard would like it, it begins with a space to those who read it.
        mail.policy = mail.policy.clone(max_line_length=LONGEST_SUBJECT + 50)
    return mail


def _hand_over(target: Mail, mail: EmailMessage, guard: _Guard) -> None:
    try:
        server = _Server(target, guard)
        if target.tls == "starttls":
            server.ehlo()
            if not server.has_extn("starttls"):
                raise NotTaken(words.NO_STARTTLS, everyone=True)
            server.starttls(context=_trusting(target.ca_file))
        if target.username is not None and target.password is not None:
            server.login(target.username, target.password.text)
    except (smtplib.SMTPException, OSError, ValueError, AttributeError) as fault:
        raise _not_taken(fault, target, late=guard.is_over, everyone=True) from None
    server.send_message(mail, target.sender, list(target.to))
    with suppress(smtplib.SMTPException, OSError, ValueError, AttributeError):
        server.quit()


def _not_taken(fault: Exception, target: Mail, *, late: bool, everyone: bool = False) -> NotTaken:
    if late or isinstance(fault, TimeoutError):
        return NotTaken(words.not_done(target.timeout_s), everyone=True)
    if isinstance(fault, smtplib.SMTPResponseException):
        permanent = fault.smtp_code >= _PERMANENT and not everyone
        return NotTaken(_answer(fault.smtp_code, fault.smtp_error), permanent=permanent, everyone=everyone)
    return NotTaken(plainly(fault), everyone=True)


def _answer(code: int, said: bytes | str) -> str:
    text = said.decode("utf-8", "replace") if isinstance(said, bytes) else said
    return f"SMTP {code}: {' '.join(text.split())}"


class _Server(smtplib.SMTP):
    """A connection that a guard may end."""

    def __init__(self, target: Mail, guard: _Guard) -> None:
        self._target = target
        guard.server = self
        # The name of this machine is for the server's log alone; to ask for it can take long.
        super().__init__(target.host, target.port, local_hostname=_own_name(), timeout=target.timeout_s)

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        stream = socket.create_connection((host, port), timeout)
        if self._target.tls != "implicit":
            return stream
        return _trusting(self._target.ca_file).wrap_socket(stream, server_hostname=host)


class _Guard:
    """Ends a connection after some seconds."""

    def __init__(self, seconds: float) -> None:
        self.server: smtplib.SMTP | None = None
        self._until_s = time.monotonic() + seconds
        self._timer = Timer(seconds, self._end)
        self._timer.daemon = True

    def __enter__(self) -> None:
        self._timer.start()

    def __exit__(self, *_: object) -> None:
        self._timer.cancel()
        stream = None if self.server is None else self.server.sock
        if stream is not None:
            stream.close()

    @property
    def is_over(self) -> bool:
        return time.monotonic() >= self._until_s

    def _end(self) -> None:
        stream = None if self.server is None else self.server.sock
        if stream is not None:
            with suppress(OSError):
                # That of TLS would take its state from under who reads.
                socket.socket.shutdown(stream, socket.SHUT_RDWR)


def _own_name() -> str:
    name = socket.gethostname()
    return name if "." in name and name.isascii() else "[127.0.0.1]"


@lru_cache(maxsize=64)
def _trusting(ca_file: str | None) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=ca_file)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context
