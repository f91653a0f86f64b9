"""A JSON POST to a receiver, signed.

Facts the design follows:
- a signature is HMAC (RFC 2104) with SHA-256 by the secret: over the body alone, and over the time, a dot and the body, so that a
  receiver that looks at the time can refuse what somebody kept and sends again;
- a redirect would carry a client's data to wherever the receiver, or who pretends to be it, says: none is followed;
- an answer's status says all (RFC 9110 15): its header has a bound, its body is only read for the words of a refusal;
- timeouts of a socket start anew with each octet, so each read gets what is left of the whole time.
"""

from __future__ import annotations

import hashlib
import hmac
import socket
import ssl
import time
from collections.abc import Iterable
from email.utils import parsedate_to_datetime
from functools import lru_cache
from typing import Any, Final

import httpcore

from flowdiag import __version__
from flowdiag.text.wording.watch import telling as words
from flowdiag.watch.message import Message, NotTaken, plainly
from flowdiag.watch.notify import Webhook

LARGEST_ANSWER: Final = 2 << 10  # octets of a refusal that are read
MOST_ADDRESSES: Final = 4  # of a receiver's name that are tried
# Statuses that mean "later" (RFC 9110 15.5.9, RFC 8470 5.2, RFC 6585 4); other 4xx mean that it will never be taken.
LATER: Final = frozenset({408, 425, 429})
_BUSY: Final = frozenset({429, 503})  # for whatever comes
_FAULTS: Final = (
    httpcore.NetworkError,
    httpcore.TimeoutException,
    httpcore.ProtocolError,
    httpcore.UnsupportedProtocol,
    OSError,
)


def post(target: Webhook, message: Message, now_ms: int) -> None:
    """Raises NotTaken."""
    body = message.body
    context = _context(target)
    deadline_s = time.monotonic() + target.timeout_s
    try:
        with (
            httpcore.ConnectionPool(
                ssl_context=context, max_connections=1, network_backend=_Network(deadline_s), retries=0
            ) as pool,
            pool.stream(
                "POST",
                target.url,
                headers=_headers(target, message, body, now_ms),
                content=body,
                extensions={"timeout": dict.fromkeys(("connect", "read", "write", "pool"), target.timeout_s)},
            ) as answer,
        ):
            _judge(answer, now_ms)
    except _FAULTS as fault:
        raise NotTaken(_said(fault, target.timeout_s), everyone=True) from None


def signatures(secret: str, timestamp: str, body: bytes) -> tuple[str, str]:
    """Over the body; over the timestamp, a dot and the body. Each as "sha256=" and hexadecimal digits."""

    def signed(text: bytes) -> str:
        return f"sha256={hmac.new(secret.encode(), text, hashlib.sha256).hexdigest()}"

    return signed(body), signed(timestamp.encode() + b"." + body)


def _headers(target: Webhook, message: Message, body: bytes, now_ms: int) -> list[tuple[str, str]]:
    timestamp = str(now_ms // 1000)
    headers = [
        ("Content-Type", "application/json"),
        ("Content-Length", str(len(body))),
        ("User-Agent", f"flowdiag/{__version__}"),
        ("Flowdiag-Message", message.name),
        ("Flowdiag-Timestamp", timestamp),
        ("Connection", "close"),
    ]
    if target.secret is not None:
        of_body, of_both = signatures(target.secret.text, timestamp, body)
        headers += [("Flowdiag-Signature", of_body), ("Flowdiag-Signature-Timestamped", of_both)]
    return headers


def _judge(answer: httpcore.Response, now_ms: int) -> None:
    status = answer.status
    if 200 <= status < 300:
        return
    said = f"HTTP {status}"
    if 300 <= status < 400:
        raise NotTaken(f"{said}: {words.REDIRECT}")
    told = " ".join(_refusal(answer).split())
    raise NotTaken(
        f"{said}: {told}" if told else said,
        permanent=400 <= status < 500 and status not in LATER,
        after_s=_retry_after_s(answer, now_ms),
        everyone=status in _BUSY,
    )


def _refusal(answer: httpcore.Response) -> str:
    """The beginning of what a receiver says to its refusal."""
    read = b""
    try:
        for part in answer.iter_stream():
            read += part
            if len(read) >= LARGEST_ANSWER:
                break
    except _FAULTS:
        pass
    return read[:LARGEST_ANSWER].decode("utf-8", "replace")


def _retry_after_s(answer: httpcore.Response, now_ms: int) -> float | None:
    """RFC 9110 10.2.3: seconds, or a date; None where there is none, or nonsense."""
    given = next((value for name, value in answer.headers if name.lower() == b"retry-after"), b"")
    text = given[:100].decode("ascii", "replace").strip()
    if text.isdigit():
        return float(text)
    try:
        return max(parsedate_to_datetime(text).timestamp() - now_ms / 1000, 0.0)
    except (ValueError, TypeError, OverflowError):
        return None


def _said(fault: Exception, timeout_s: float) -> str:
    if isinstance(fault, httpcore.TimeoutException | TimeoutError):
        return words.not_done(timeout_s)
    return plainly(fault)


def _context(target: Webhook) -> ssl.SSLContext:
    try:
        return _trusting(target.ca_file)
    except OSError as fault:
        raise NotTaken(f"ca_file: {fault.strerror or fault}", everyone=True) from None


@lru_cache(maxsize=64)
def _trusting(ca_file: str | None) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=ca_file)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context


class _Network(httpcore.NetworkBackend):
    """Connections that are over at a time of the monotonic clock, whatever the other end does."""

    def __init__(self, deadline_s: float) -> None:
        self._deadline_s = deadline_s
        self._inner = httpcore.SyncBackend()

    def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[Any] | None = None,
    ) -> httpcore.NetworkStream:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[:MOST_ADDRESSES]
        fault: Exception = httpcore.ConnectError("no address")
        for *_, address in found:
            try:
                stream = self._inner.connect_tcp(
                    str(address[0]), port, _left(self._deadline_s), local_address, socket_options or ()
                )
                return _Stream(stream, self._deadline_s)
            except (httpcore.ConnectError, httpcore.ConnectTimeout) as other:
                fault = other
        raise fault


class _Stream(httpcore.NetworkStream):
    def __init__(self, inner: httpcore.NetworkStream, deadline_s: float) -> None:
        self._inner = inner
        self._deadline_s = deadline_s

    def read(self, max_bytes: int, timeout: float | None = None) -> bytes:
        return self._inner.read(max_bytes, _left(self._deadline_s))

    def write(self, buffer: bytes, timeout: float | None = None) -> None:
        # A part at a time: each gets what is left then.
        for begin in range(0, len(buffer), 65_536):
            self._inner.write(buffer[begin : begin + 65_536], _left(self._deadline_s))

    def close(self) -> None:
        self._inner.close()

    def start_tls(
        self, ssl_context: ssl.SSLContext, server_hostname: str | None = None, timeout: float | None = None
    ) -> httpcore.NetworkStream:
        left = _left(self._deadline_s)
        return _Stream(self._inner.start_tls(ssl_context, server_hostname, left), self._deadline_s)

    def get_extra_info(self, info: str) -> Any:
        return self._inner.get_extra_info(info)


def _left(deadline_s: float) -> float:
    left = deadline_s - time.monotonic()
    if left <= 0:
        raise httpcore.ReadTimeout
    return left
