"""IPFIX over TCP and TLS: what comes in pieces, what is refused, and that a sender who has to wait loses nothing."""

from __future__ import annotations

import socket
import ssl
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from flowdiag import read_export
from flowdiag.collector.live.connections import HANDSHAKE_S
from tests.collector.live.running import FLOWS, Running, Sender


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "store"


@pytest.fixture
def collector(store: Path) -> Iterator[Running]:
    with Running(store) as running:
        yield running


def closed(stream: socket.socket) -> bool:
    """Whether the other end has closed a connection."""
    stream.settimeout(30)
    try:
        return stream.recv(1) == b""
    except ConnectionResetError:
        return True


def test_a_message_that_comes_in_pieces_is_one_and_several_at_once_are_several(
    collector: Running, store: Path
) -> None:
    sender = Sender(collector.port, kind=socket.SOCK_STREAM)
    one, *others = (sender.message() for _ in range(5))
    for place in range(0, len(one), 400):
        sender.socket.send(one[place : place + 400])
        time.sleep(0.02)
    sender.socket.sendall(b"".join(others))
    collector.wait_for("datagrams_total", 5)
    assert collector.end() == 0
    assert len(read_export(store)) == 5 * FLOWS


def test_what_is_no_ipfix_ends_the_connection_and_keeps_what_came_before(
    collector: Running, store: Path
) -> None:
    sender = Sender(collector.port, kind=socket.SOCK_STREAM)
    sender.send(3)
    sender.socket.sendall(b"GET / HTTP/1.1\r\n\r\n")
    assert closed(sender.socket)
    collector.wait_for("connections_broken_total", 1)
    assert collector.metric("connections") == 0
    assert collector.end() == 0
    assert len(read_export(store)) == 3 * FLOWS


def test_a_stream_beyond_its_rate_waits_and_loses_nothing(store: Path) -> None:
    with Running(store, "--rate", "50") as running:
        sender = Sender(running.port, kind=socket.SOCK_STREAM)
        sender.send(200)
        running.wait_for("datagrams_total", 200)
        assert running.metric("limited_total") == 0
        assert running.end() == 0
    assert len(read_export(store)) == 200 * FLOWS


def test_a_connection_of_one_who_is_no_longer_allowed_is_closed(store: Path, tmp_path: Path) -> None:
    listed = tmp_path / "allowed"
    listed.write_text("127.0.0.0/8\n")
    with Running(store, "--allow-file", str(listed)) as running:
        sender = Sender(running.port, kind=socket.SOCK_STREAM)
        sender.send(1)
        running.wait_for("datagrams_total", 1)
        listed.write_text("192.0.2.0/24\n")
        running.process.send_signal(1)
        assert closed(sender.socket)
        late = Sender(running.port, kind=socket.SOCK_STREAM)
        assert closed(late.socket)
        running.wait_for("connections_refused_total", 2)


def made(folder: Path, name: str, *signed_by: str | Path) -> Path:
    """A certificate with its key in one PEM file, signed by itself or by another."""
    key, public = folder / f"{name}.key", folder / f"{name}.crt"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
         "-subj", f"/CN={name}.example", "-keyout", key, "-out", public, *signed_by],
        check=True, capture_output=True,
    )  # fmt: skip
    both = folder / f"{name}.pem"
    both.write_text(key.read_text() + public.read_text())
    return both


def test_exporters_have_to_show_a_certificate_of_the_authority_where_one_is_given(
    store: Path, tmp_path: Path
) -> None:
    collector, authority, stranger = (made(tmp_path, name) for name in ("collector", "authority", "stranger"))
    router = made(tmp_path, "router", "-CA", tmp_path / "authority.crt", "-CAkey", tmp_path / "authority.key")
    with Running(store, "--certificate", str(collector), "--clients", str(authority)) as running:
        for count, shown in enumerate((None, stranger), 1):
            assert refused(running.port, client(tmp_path, shown))
            running.wait_for("connections_broken_total", count)
        with (
            socket.create_connection(("127.0.0.1", running.port)) as plain,
            client(tmp_path, router).wrap_socket(plain) as secured,
        ):
            sender = Sender(running.port)
            for _ in range(200):
                secured.sendall(sender.message())
            running.wait_for("datagrams_total", 200)
        assert running.end() == 0
    assert len(read_export(store)) == 200 * FLOWS


def refused(port: int, context: ssl.SSLContext) -> bool:
    """Whether a connection is ended by the collector: with TLS 1.3 that is seen after the client's own handshake."""
    with socket.create_connection(("127.0.0.1", port)) as plain:
        try:
            with context.wrap_socket(plain) as secured:
                return secured.recv(1) == b""
        except OSError:
            return True


def client(folder: Path, shown: Path | None) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=str(folder / "collector.crt"))
    context.check_hostname = False
    if shown is not None:
        context.load_cert_chain(shown)
    return context


def test_a_tls_handshake_that_does_not_get_on_is_given_up(store: Path, tmp_path: Path) -> None:
    certificate = made(tmp_path, "collector")
    with Running(store, "--certificate", str(certificate)) as running:
        idle = socket.create_connection(("127.0.0.1", running.port))
        idle.sendall(b"\x16\x03\x01")
        began = time.monotonic()
        assert closed(idle)
        assert HANDSHAKE_S - 1 <= time.monotonic() - began < HANDSHAKE_S + 5
        running.wait_for("connections_slow_total", 1)
