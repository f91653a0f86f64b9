"""Slow clients, dripped and endless bodies, and too many connections, against the server as it runs."""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import httpx
import pytest

from flowdiag.desk.access import bodies
from flowdiag.desk.access.connections import Connections, protocol
from flowdiag.desk.server import PROXIES
from tests.desk.access.desks import Served, account, listening, served_by
from tests.desk.conftest import StoreAndSites

ASK_S: Final = 0.6
MOST: Final = 30
OF_ADDRESS: Final = 20
HEAD: Final = b"GET /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\n"
POST: Final = (
    b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nSec-Fetch-Site: same-origin\r\n"
    b"Content-Type: application/x-www-form-urlencoded\r\n"
)


@pytest.fixture
def served(store_and_sites: StoreAndSites, tmp_path: Path) -> Iterator[Served]:
    with served_by(store_and_sites, tmp_path, account("mere")) as made:
        yield made


@pytest.fixture
def port(served: Served, monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    monkeypatch.setattr(bodies, "PATIENCE_S", ASK_S)
    limited = protocol(Connections(MOST, OF_ADDRESS), ask_s=ASK_S, read_s=ASK_S)
    with listening(served.app, http=limited) as found:
        yield found


def connected(port: int) -> socket.socket:
    made = socket.create_connection(("127.0.0.1", port), timeout=10)
    made.settimeout(10)
    return made


def received(stream: socket.socket) -> bytes:
    """Everything until the end, or until it is cut off."""
    parts = []
    try:
        while part := stream.recv(65_536):
            parts.append(part)
    except ConnectionError:
        pass
    return b"".join(parts)


def dripped(stream: socket.socket, octets: bytes, seconds: float) -> float:
    """Sends an octet at a time as long as the other side takes them; gives for how long it did."""
    begun = time.monotonic()
    stream.setblocking(False)
    try:
        for octet in octets:
            stream.send(bytes([octet]))
            time.sleep(0.05)
            try:
                if not stream.recv(65_536):
                    break
            except BlockingIOError:
                pass
            if time.monotonic() - begun > seconds:
                break
    except ConnectionError:
        pass
    return time.monotonic() - begun


def works(port: int) -> bool:
    with connected(port) as stream:
        stream.sendall(HEAD + b"Connection: close\r\n\r\n")
        return received(stream).startswith(b"HTTP/1.1 200")


def test_a_head_that_drips_is_cut_off(port: int) -> None:
    with connected(port) as stream:
        assert dripped(stream, HEAD + b"X: " + b"x" * 200, 5) < 3
    assert works(port)


def test_a_second_head_that_drips_is_cut_off_too(port: int) -> None:
    with connected(port) as stream:
        stream.sendall(HEAD + b"\r\n")
        assert stream.recv(65_536).startswith(b"HTTP/1.1 200")
        assert dripped(stream, HEAD + b"X: " + b"x" * 200, 5) < 3


def test_a_connection_that_says_nothing_is_closed(port: int) -> None:
    begun = time.monotonic()
    with connected(port) as stream:
        assert received(stream) == b""
    assert time.monotonic() - begun < 3


def test_a_body_that_drips_is_answered_with_408(port: int) -> None:
    with connected(port) as stream:
        stream.sendall(POST + b"Content-Length: 1000\r\n\r\nname=")
        assert received(stream).startswith(b"HTTP/1.1 408")


def test_a_body_for_a_page_that_takes_none_is_not_waited_for(port: int) -> None:
    with connected(port) as stream:
        stream.sendall(b"POST /nowhere HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 100000\r\n\r\n")
        assert stream.recv(65_536).startswith(b"HTTP/1.1 404")
        assert dripped(stream, b"x" * 200, 5) < 3


def test_a_body_that_says_how_large_it_is_is_refused_before_it_comes(port: int) -> None:
    with connected(port) as stream:
        stream.sendall(POST + b"Content-Length: 100000000\r\n\r\n")
        assert received(stream).startswith(b"HTTP/1.1 413")


def test_a_body_in_chunks_is_counted(port: int) -> None:
    chunk = b"1000\r\n" + b"x" * 0x1000 + b"\r\n"
    with connected(port) as stream:
        stream.sendall(POST + b"Transfer-Encoding: chunked\r\n\r\n")
        try:
            for _ in range(1000):
                stream.sendall(chunk)
        except OSError:
            pass
        assert b"HTTP/1.1 413" in received(stream)[:20] or works(port)
    assert works(port)


def test_a_form_in_chunks_is_read(port: int) -> None:
    with connected(port) as stream:
        stream.sendall(
            POST + b"Connection: close\r\nTransfer-Encoding: chunked\r\n\r\n9\r\nname=mere\r\n0\r\n\r\n"
        )
        assert received(stream).startswith(b"HTTP/1.1 403")  # read, and without a password


@pytest.mark.parametrize(
    "head",
    [
        b"Content-Length: 5\r\nTransfer-Encoding: chunked\r\n",
        b"Content-Length: 5\r\nContent-Length: 6\r\n",
        b"Content-Length: -5\r\n",
        b"Transfer-Encoding: chunked, identity\r\n",
        b"X: " + b"x" * 100_000 + b"\r\n",
        b"A b: c\r\n",
    ],
)
def test_a_head_that_two_servers_could_read_differently_is_refused(port: int, head: bytes) -> None:
    """Request smuggling: what stands before a desk must not see another request than the desk."""
    with connected(port) as stream:
        stream.sendall(POST + b"Connection: close\r\n" + head + b"\r\n0\r\n\r\n")
        status = received(stream)[9:12]
    assert status in (b"400", b"431", b"501", b"403", b"")
    assert works(port)


def test_an_address_has_so_many_connections_and_others_go_on(port: int) -> None:
    held = [connected(port) for _ in range(OF_ADDRESS + 5)]
    for stream in held:
        stream.settimeout(0.3)
    closed = 0
    for stream in held:
        try:
            closed += stream.recv(1) == b""
        except ConnectionError:
            closed += 1
        except TimeoutError:
            break
    for stream in held:
        stream.close()
    time.sleep(0.2)
    assert works(port)


@pytest.mark.parametrize(("behind_proxy", "address"), [(True, "203.0.113.9"), (False, "127.0.0.1")])
def test_only_the_proxy_of_a_desk_behind_one_says_who_asks(
    served: Served, behind_proxy: bool, address: str
) -> None:
    """What the browser itself wrote there before does not count."""
    headers = {
        "Host": "127.0.0.1",
        "Sec-Fetch-Site": "same-origin",
        "X-Forwarded-For": "192.0.2.200, 203.0.113.9",
        "X-Forwarded-Proto": "https",
    }
    with listening(served.app, proxy_headers=behind_proxy, forwarded_allow_ips=PROXIES) as port:
        httpx.post(
            f"http://127.0.0.1:{port}/sign-in", data={"name": "mere"}, headers=headers, trust_env=False
        )
    line = json.loads((served.desk.settings.state / "audit.jsonl").read_text())
    assert line["address"] == address


def test_connections_are_counted_in_all_and_by_address() -> None:
    connections = Connections(3, 2)
    assert [connections.enter("a"), connections.enter("a"), connections.enter("a")] == [True, True, False]
    assert connections.enter("b")
    assert not connections.enter("c")
    connections.leave("a")
    assert connections.enter("c")
    assert not connections.enter("a")


def test_a_reader_that_does_not_read_is_cut_off(served: Served) -> None:
    """What it asked for would stay in memory."""

    async def large(scope: Any, receive: Any, send: Any) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        for left in range(500, -1, -1):
            await send({"type": "http.response.body", "body": b"x" * 65_536, "more_body": bool(left)})

    connections = Connections(MOST, OF_ADDRESS)
    with (
        listening(large, http=protocol(connections, ask_s=ASK_S, read_s=ASK_S)) as port,
        connected(port) as stream,
    ):
        stream.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        stream.sendall(HEAD + b"\r\n")
        until = time.monotonic() + 10
        while connections._open and time.monotonic() < until:
            time.sleep(0.05)
        assert not connections._open
