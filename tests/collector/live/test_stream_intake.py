"""Connections one by one: what is due when, what each waits for, and a system that has no descriptors left."""

from __future__ import annotations

import os
import resource
import selectors
import socket
import ssl
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from flowdiag.addresses import to_bytes
from flowdiag.collector.live import connections
from flowdiag.collector.live.allow import AllowList
from flowdiag.collector.live.connections import Activity, Connection, Connections
from flowdiag.collector.live.senders import Exporters, Senders
from flowdiag.collector.live.streams import StreamIntake, has_data
from tests.collector.decode.wire import a_set, flow, ipfix, with_template
from tests.collector.live.running import wait_until

Parts = tuple[selectors.BaseSelector, StreamIntake, Connections, socket.socket]


@pytest.fixture
def receiver_parts() -> Iterator[Parts]:
    with (
        socket.create_server(("127.0.0.1", 0)) as listener,
        selectors.DefaultSelector() as selector,
    ):
        listener.setblocking(False)
        all_connections = Connections(selector, 10)
        senders = Senders(Exporters(AllowList(None), 10), to_bytes("127.0.0.1"), 4739)
        intake = StreamIntake(listener, senders, selector, all_connections, None)
        yield selector, intake, all_connections, listener
        intake.close()


@contextmanager
def no_descriptors() -> Iterator[None]:
    """The lowest free descriptor is the first that may not be had."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    lowest = os.dup(0)
    os.close(lowest)
    resource.setrlimit(resource.RLIMIT_NOFILE, (lowest, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def test_without_descriptors_connections_wait_and_the_loop_does_not_turn(receiver_parts: Parts) -> None:
    selector, intake, all_connections, listener = receiver_parts
    waiting = [socket.create_connection(listener.getsockname()) for _ in range(3)]
    with no_descriptors():
        assert [key.data[1] for key, _ in selector.select(5)] == [None]
        intake.accept()
        assert selector.select(0) == []
        intake.tick(hold=False)
        assert [key.data[1] for key, _ in selector.select(5)] == [None]
        intake.accept()
        assert selector.select(0) == []
    intake.tick(hold=False)
    intake.accept()
    assert len(all_connections) == 3
    assert all_connections.refused == 0
    for stream in waiting:
        stream.close()


def test_the_time_for_which_a_connection_has_to_wait_does_not_count(
    receiver_parts: Parts, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, intake, all_connections, listener = receiver_parts
    with socket.create_connection(listener.getsockname()):
        wait_until(lambda: intake.accept() or len(all_connections) == 1)
        (connection,) = all_connections.of(intake)
        now = time.monotonic()
        intake.hold(connection)
        monkeypatch.setattr(time, "monotonic", lambda: now + 1_000)
        all_connections.close_slow()
        intake.tick(hold=False)
        all_connections.close_slow()
        assert connection in all_connections
        monkeypatch.setattr(time, "monotonic", lambda: now + 1_000 + connections.HEADER_S + 1)
        all_connections.close_slow()
        assert connection not in all_connections
        # Its event may have been there already when it was closed.
        assert intake.read(connection, []) == 0
        intake.hold(connection)


def test_a_connection_waits_to_be_writable_only_as_long_as_it_has_to(
    receiver_parts: Parts, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Or the loop would turn: nearly always a socket can be written to."""
    selector, intake, all_connections, listener = receiver_parts
    with socket.create_connection(listener.getsockname()) as other:
        wait_until(lambda: intake.accept() or len(all_connections) == 1)
        (connection,) = all_connections.of(intake)
        with monkeypatch.context() as patched:
            patched.setattr(connection, "stream", WantsToWrite(connection.stream))
            assert intake.read(connection, []) == 0
        assert [key.data[1] for key, _ in selector.select(5)] == [connection]
        intake.hold(connection)
        assert selector.select(0) == []
        intake.tick(hold=False)
        assert [key.data[1] for key, _ in selector.select(5)] == [connection]
        assert intake.read(connection, []) == 0  # nothing has come
        assert selector.select(0) == []
        other.sendall(ipfix(with_template()))
        assert [key.data[1] for key, _ in selector.select(5)] == [connection]
        assert intake.read(connection, []) == 1


class WantsToWrite:
    """A stream of TLS that has something to say before it can be read, as after a request for new keys."""

    def __init__(self, stream: socket.socket) -> None:
        self._stream = stream

    def __hash__(self) -> int:
        return hash(self._stream)

    def __eq__(self, other: object) -> bool:
        return other is self._stream

    def fileno(self) -> int:
        return self._stream.fileno()

    def recv(self, octets: int) -> bytes:
        raise ssl.SSLWantWriteError


@pytest.mark.parametrize(
    ("sets", "data"),
    [
        ((), False),
        ((with_template(),), False),
        ((with_template(), a_set(256, flow(1))), True),
        ((a_set(256),), False),
        ((a_set(3, bytes(20)), a_set(65_535, b"x")), True),
        ((b"\x00\x02\x00\x00" * 4,), False),  # lengths of nothing end as well
    ],
)
def test_only_sets_of_data_are_data(sets: tuple[bytes, ...], data: bool) -> None:
    assert has_data(ipfix(*sets)) is data


def test_what_is_due_when() -> None:
    """By hand: connected at 100 s, first octets at 100 s, later ones at 200 s."""
    stream = socket.socket()
    made_at = Connection(stream, ("", 0), None, None, heard=100.0, began=100.0, handshaking=True)  # type: ignore[arg-type]
    assert made_at.due() == 110
    made_at.secured(105.0)
    assert made_at.due() == 115
    made_at.buffer += b"x" * 15
    assert made_at.due() == 115
    made_at.buffer += b"x"
    assert made_at.due() == 135
    made_at.buffer.clear()
    made_at.activity = Activity.MESSAGES
    assert made_at.due() == 405
    made_at.activity = Activity.DATA
    assert made_at.due() == float("inf")
    made_at.buffer += b"x"
    made_at.began = 200.0
    assert made_at.due() == 210
    stream.close()
