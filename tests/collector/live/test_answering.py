"""Metrics and health over HTTP: what is answered, and that nobody who asks holds up another, or the end."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, ExitStack, suppress

import pytest
from prometheus_client.parser import text_string_to_metric_families

from flowdiag.collector.live import answering
from flowdiag.collector.live.answering import MAX_CLIENTS, MAX_REQUEST, serving
from flowdiag.collector.live.counters import Received
from flowdiag.collector.live.health import Health
from flowdiag.collector.live.metrics import HealthCollector
from flowdiag.errors import UsageError


@pytest.fixture
def health() -> Health:
    return Health(lambda _: None)


def served(health: Health, port: int | None) -> AbstractContextManager[int | None]:
    return serving(HealthCollector(health), lambda: health.wrong, port)


@pytest.fixture
def port(health: Health) -> Iterator[int]:
    with served(health, 0) as port:
        assert port is not None
        yield port


def connect(port: int) -> socket.socket:
    return socket.create_connection(("127.0.0.1", port), timeout=30)


def asked(port: int, request: bytes) -> bytes:
    """The whole answer to some octets."""
    with connect(port) as client:
        client.sendall(request)
        return whole(client)


def whole(client: socket.socket) -> bytes:
    octets = b""
    while piece := client.recv(65_536):
        octets += piece
    return octets


def split(answer: bytes) -> tuple[str, list[str], bytes]:
    """Status, headers, body."""
    head, _, body = answer.partition(b"\r\n\r\n")
    status, *headers = head.decode().split("\r\n")
    return status, headers, body


def test_metrics_are_told_in_the_prometheus_text_format(port: int, health: Health) -> None:
    health.update([Received(datagrams=7)], [])
    status, headers, body = split(asked(port, b"GET /metrics?name=x HTTP/1.1\r\nHost: localhost\r\n\r\n"))
    assert status == "HTTP/1.1 200 OK"
    assert "Content-Type: text/plain; version=0.0.4; charset=utf-8" in headers
    assert f"Content-Length: {len(body)}" in headers
    families = {family.name: family for family in text_string_to_metric_families(body.decode())}
    assert families["flowdiag_collect_datagrams"].samples[0].value == 7


def test_health_is_one_status_and_what_is_wrong(port: int, health: Health) -> None:
    request = b"GET /health HTTP/1.1\r\n\r\n"
    status, _, body = split(asked(port, request))
    assert (status, body) == ("HTTP/1.1 200 OK", b"ok\n")
    health.update([Received(full="No space left on device")], [])
    status, _, body = split(asked(port, request))
    assert status == "HTTP/1.1 503 Service Unavailable"
    assert body == b"the spool cannot be written: No space left on device\n"


def test_head_is_answered_without_a_body(port: int) -> None:
    status, headers, body = split(asked(port, b"HEAD /health HTTP/1.1\r\n\r\n"))
    assert (status, body) == ("HTTP/1.1 200 OK", b"")
    assert "Content-Length: 3" in headers


@pytest.mark.parametrize(
    ("request_", "status"),
    [
        (b"GET / HTTP/1.1\r\n\r\n", "404 Not Found"),
        (b"GET /metrics/ HTTP/1.1\r\n\r\n", "404 Not Found"),
        (b"GET /favicon.ico HTTP/1.1\r\n\r\n", "404 Not Found"),
        (b"GET /../metrics HTTP/1.1\r\n\r\n", "404 Not Found"),
        (b"GET /%6detrics HTTP/1.1\r\n\r\n", "404 Not Found"),
        (b"GET /m\xe9trics\x1b[2J HTTP/1.1\r\n\r\n", "404 Not Found"),
        (b"DELETE /metrics HTTP/1.1\r\n\r\n", "405 Method Not Allowed"),
        (b"POST /health HTTP/1.1\r\nContent-Length: 60000\r\n\r\n" + bytes(60_000), "405 Method Not Allowed"),
        (b"GET /metrics\r\n\r\n", "400 Bad Request"),
        (b"GET /metrics HTTP/2\r\n\r\n", "400 Bad Request"),
        (b"\r\n\r\n", "400 Bad Request"),
        (b"GET /" + b"x" * 60_000, "431 Request Header Fields Too Large"),
        (b"GET /metrics HTTP/1.1\r\nCookie: " + b"x" * MAX_REQUEST, "431 Request Header Fields Too Large"),
        (
            b"GET /metrics HTTP/1.1\r\n" + b"X: y\r\n" * 10_000 + b"\r\n",
            "431 Request Header Fields Too Large",
        ),
    ],
)
def test_nothing_else_is_answered(port: int, request_: bytes, status: str) -> None:
    told, headers, body = split(asked(port, request_))
    assert told == f"HTTP/1.1 {status}"
    assert body == f"{status}\n".encode()
    assert ("Allow: GET, HEAD" in headers) is status.startswith("405")


def test_a_request_that_comes_in_pieces_is_answered_and_one_that_ends_in_the_middle_is_not(port: int) -> None:
    with connect(port) as client:
        for octet in b"GET /health HTTP/1.1\r\n\r\n":
            client.send(bytes([octet]))
            time.sleep(0.005)
        assert whole(client).endswith(b"\r\n\r\nok\n")
    with connect(port) as client:
        client.sendall(b"GET /health HT")
        client.shutdown(socket.SHUT_WR)
        assert whole(client) == b""


def test_who_stalls_holds_nobody_up_and_gives_way_when_too_many_come(
    port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(answering, "CLIENT_S", 300.0)
    with ExitStack() as stack:
        stalled = [stack.enter_context(connect(port)) for _ in range(5 * MAX_CLIENTS)]
        for number, client in enumerate(stalled):
            client.sendall((b"", b"GET /metr", b"GET /metrics HTTP/1.1\r\n")[number % 3])
        assert asked(port, b"GET /health HTTP/1.1\r\n\r\n").endswith(b"ok\n")
        for client in stalled[: 4 * MAX_CLIENTS]:  # these gave way
            assert gone(client)


def test_who_stalls_is_given_up_in_time_and_so_is_who_does_not_read(
    port: int, health: Health, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(answering, "CLIENT_S", 0.5)
    exporters = {f"2001:db8::{number:x}": (number, 0) for number in range(1, 500)}
    health.update([Received(exporters=exporters)], [])
    with connect(port) as stalled, socket.socket() as deaf:
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1)
        deaf.connect(("127.0.0.1", port))
        began = time.monotonic()
        deaf.sendall(b"GET /metrics HTTP/1.1\r\n\r\n")
        assert gone(stalled)
        assert 0.4 <= time.monotonic() - began < 5
        time.sleep(0.5)
        deaf.settimeout(30)
        assert gone(deaf)


def gone(client: socket.socket) -> bool:
    """Whether the other end closes a connection, whatever it sends before."""
    with suppress(ConnectionResetError):
        whole(client)
    return True


def test_the_end_waits_for_nobody(health: Health, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(answering, "CLIENT_S", 300.0)
    with ExitStack() as stack:
        with served(health, 0) as port:
            assert port is not None
            for _ in range(MAX_CLIENTS):
                stack.enter_context(connect(port)).sendall(b"GET /metrics")
            assert asked(port, b"GET /health HTTP/1.1\r\n\r\n").endswith(b"ok\n")
            began = time.monotonic()
        assert time.monotonic() - began < 5
        with pytest.raises(ConnectionRefusedError):
            connect(port)


def test_a_port_that_is_taken_is_said(health: Health) -> None:
    with (
        served(health, 0) as port,
        pytest.raises(
            UsageError, match=rf"the metrics cannot be served at 127\.0\.0\.1:{port} \(Address already"
        ),
        served(health, port),
    ):
        pass


def test_no_port_is_none(health: Health) -> None:
    with served(health, None) as port:
        assert port is None
