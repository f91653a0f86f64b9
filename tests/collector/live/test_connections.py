"""Connections that cost a collector something and bring it nothing."""

from __future__ import annotations

import resource
import socket
import ssl
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from flowdiag.collector.live import connections, receiver, spool
from flowdiag.collector.live.connections import Connection
from flowdiag.collector.live.streams import StreamIntake
from tests.collector.decode.wire import a_set, flow, ipfix, with_template
from tests.collector.live.receiving import receiving
from tests.collector.live.running import FLOWS, Running, Sender, wait_until
from tests.collector.live.test_streams import client, closed, made

IDLE_CONNECTIONS = 1_056
DESCRIPTORS = 1_024
MESSAGES = 1_133
# Bounds of a receiver in the test, and what its clock and the test's may differ by when one of them has to wait.
HEADER_S = 0.6
LONGER_S = 3.0
SOME_S = 0.3


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Bounds short enough for a test, and far enough apart for a machine that is busy."""
    for name, seconds in (("HEADER_S", HEADER_S), ("MESSAGE_S", LONGER_S), ("IDLE_S", LONGER_S)):
        monkeypatch.setattr(connections, name, seconds)


@pytest.fixture(autouse=True)
def often(monkeypatch: pytest.MonkeyPatch) -> None:
    """A receiver in the test tells how it is without making it wait."""
    monkeypatch.setattr(receiver, "TICK_S", 0.05)


def connect(port: int, last: int = 1) -> socket.socket:
    return socket.create_connection(("127.0.0.1", port), source_address=(f"127.0.0.{last}", 0))


def taught(port: int, last: int, *sets: bytes) -> socket.socket:
    """A connection that has sent a message."""
    stream = connect(port, last)
    stream.sendall(ipfix(*sets))
    return stream


def until_closed(stream: socket.socket, octets: bytes, pause_s: float) -> float:
    """Sends octet by octet until the other end closes the connection. Gives the seconds that it took."""
    began = time.monotonic()
    stream.settimeout(pause_s)
    for place in range(len(octets)):
        try:
            stream.sendall(octets[place : place + 1])
            if stream.recv(1) == b"":
                break
        except TimeoutError:
            continue
        except OSError:
            break
    return time.monotonic() - began


def test_1056_idle_connections_at_a_limit_of_1024_descriptors_cost_nobody_a_record(tmp_path: Path) -> None:
    store = tmp_path / "store"
    with enough_descriptors(), Running(store, descriptors=(DESCRIPTORS, DESCRIPTORS)) as running:
        idle = [connect(running.port, 2 + number // 16) for number in range(IDLE_CONNECTIONS)]
        datagrams = Sender(running.port)
        datagrams.send(MESSAGES, pause_s=0.0005)
        stream = Sender(running.port, kind=socket.SOCK_STREAM)
        stream.send(100)
        running.wait_for("datagrams_total", MESSAGES + 100)
        assert running.metric("connections_displaced_total") >= IDLE_CONNECTIONS - DESCRIPTORS
        assert running.metric("connections") < DESCRIPTORS
        assert running.metric("kernel_drops_total") == running.metric("unspooled_total") == 0
        for one in idle:
            one.close()
        assert running.end() == 0
        ended = running.log.splitlines()[-1]
    assert f"{(MESSAGES + 100) * FLOWS:,} records stored, 0 MB to decode, 0 dropped" in ended


@contextmanager
def enough_descriptors() -> Iterator[None]:
    """For a test that makes connections without end."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    assert hard >= 2 * DESCRIPTORS, (
        f"this test needs a hard limit of {2 * DESCRIPTORS} descriptors (ulimit -Hn)"
    )
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


@pytest.mark.usefixtures("quick")
def test_a_header_and_a_message_that_come_octet_by_octet_are_not_waited_for(tmp_path: Path) -> None:
    message = ipfix(with_template(), a_set(256, *map(flow, range(100))))
    with receiving(tmp_path / "spool") as running:
        assert HEADER_S - SOME_S <= until_closed(connect(running.port), message, 0.1) < LONGER_S
        stream = connect(running.port)
        stream.sendall(message[:16])
        assert until_closed(stream, message[16:], 0.1) >= LONGER_S - SOME_S
        # The same of later messages, and of a connection that was quiet before.
        stream = connect(running.port)
        stream.sendall(message)
        time.sleep(HEADER_S + SOME_S)
        assert HEADER_S - SOME_S <= until_closed(stream, message, 0.1) < LONGER_S
        running.wait_for("connections_slow", 3)
        assert (running.told().connections, running.told().datagrams) == (0, 1)


@pytest.mark.usefixtures("quick")
def test_who_has_sent_data_may_be_quiet_and_who_only_told_templates_may_not(tmp_path: Path) -> None:
    with receiving(tmp_path / "spool") as running:
        exporter = taught(running.port, 1, with_template(), a_set(256, flow(1)))
        templates = taught(running.port, 1, with_template())
        nothing = connect(running.port)
        began = time.monotonic()
        assert closed(nothing)
        assert HEADER_S - SOME_S <= time.monotonic() - began < LONGER_S - SOME_S
        assert closed(templates)
        assert time.monotonic() - began >= LONGER_S - SOME_S
        time.sleep(HEADER_S)
        exporter.sendall(ipfix(a_set(256, flow(2)), sequence=1))
        running.wait_for("datagrams", 3)
        assert running.told().connections == 1
        assert running.told().connections_slow == 2
        running.end()
        assert running.records() == 2


@pytest.mark.usefixtures("quick")
def test_after_a_tls_handshake_a_message_has_to_come_too(tmp_path: Path) -> None:
    certificate = made(tmp_path, "collector")
    with (
        receiving(tmp_path / "spool", certificate=certificate) as running,
        connect(running.port) as plain,
        client(tmp_path, None).wrap_socket(plain) as secured,
    ):
        assert isinstance(secured, ssl.SSLSocket)
        began = time.monotonic()
        assert closed(secured)
        assert HEADER_S - SOME_S <= time.monotonic() - began < connections.HANDSHAKE_S
        running.wait_for("connections_slow", 1)


def test_who_has_earned_least_gives_way_to_newcomers_and_who_sends_data_does_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(receiver, "MAX_CONNECTIONS", 6)
    data = with_template(), a_set(256, flow(1))
    with receiving(tmp_path / "spool") as running:
        exporters = [taught(running.port, 10 + number, *data) for number in range(2)]
        running.wait_for("datagrams", 2)
        templates = [taught(running.port, 20 + number, with_template()) for number in range(2)]
        running.wait_for("datagrams", 4)
        nothing = [connect(running.port, 30 + number) for number in range(2)]
        running.wait_for("connections", 6)
        # Each newcomer takes the place of one of these, in this order, and keeps it by what it sends.
        for number, gone in enumerate((*nothing, *templates), 1):
            exporters.append(taught(running.port, 40 + number, *data))
            assert closed(gone)
            running.wait_for("datagrams", 4 + number)
        assert closed(connect(running.port, 50))
        running.wait_for("connections_refused", 1)
        assert running.told().connections_displaced == 4
        for number, exporter in enumerate(exporters):
            exporter.sendall(ipfix(a_set(256, flow(number)), sequence=1))
        running.wait_for("datagrams", 8 + 6)
        running.end()
        assert running.records() == 6 + 6


def test_exporters_that_were_quiet_for_long_give_way_when_all_have_sent_data(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(receiver, "MAX_CONNECTIONS", 3)
    monkeypatch.setattr(connections, "IDLE_S", 0.5)
    data = with_template(), a_set(256, flow(1))
    with receiving(tmp_path / "spool") as running:
        quiet, *others = (taught(running.port, 10 + number, *data) for number in range(3))
        running.wait_for("datagrams", 3)
        time.sleep(0.6)
        for other in others:
            other.sendall(ipfix(a_set(256, flow(2)), sequence=1))
        running.wait_for("datagrams", 5)
        newcomer = taught(running.port, 20, *data)
        assert closed(quiet)
        running.wait_for("datagrams", 6)
        assert (running.told().connections, running.told().connections_displaced) == (3, 1)
        newcomer.close()


def test_connections_of_one_exporter_are_bounded_at_all_places_and_others_have_theirs(tmp_path: Path) -> None:
    share = connections.MAX_CONNECTIONS_OF_EXPORTER
    with receiving(tmp_path / "spool", places=2) as running:
        other = connect(running.port, 2)
        running.wait_for("connections", 1)
        own = [connect(running.ports[number % 2]) for number in range(share)]
        running.wait_for("connections", share + 1)
        newer = [
            taught(running.ports[number % 2], 1, with_template(), a_set(256, flow(1)))
            for number in range(share)
        ]
        assert all(map(closed, own))
        running.wait_for("datagrams", share)
        assert closed(connect(running.port))
        running.wait_for("connections_refused", 1)
        told = running.told()
        assert (told.connections, told.connections_displaced) == (share + 1, share)
        other.sendall(ipfix(with_template(), a_set(256, flow(1))))
        running.wait_for("datagrams", share + 1)
        for stream in (*newer, other):
            stream.close()
        wait_until(lambda: running.told().connections == 0)


def test_connections_that_send_without_end_leave_datagrams_their_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a machine so slow that reading from all of them takes longer than the kernel's buffer lasts: some 50 datagrams."""
    read = StreamIntake.read

    def slow_read(self: StreamIntake, connection: Connection, parts: list[bytes]) -> int:
        time.sleep(0.005)
        return read(self, connection, parts)

    monkeypatch.setattr(StreamIntake, "read", slow_read)
    with receiving(tmp_path / "spool", buffer=64 << 10) as running:
        exporter = Sender(running.port)
        streams = [connect(running.port, 2 + number // 16) for number in range(200)]
        running.wait_for("connections", 200)
        flows = a_set(256, *map(flow, range(1_700)))  # about as much as is read at a time
        for stream in streams:
            stream.sendall(ipfix(with_template(), flows) + ipfix(flows, sequence=1_700))
        exporter.send(300, pause_s=0.004)
        running.wait_for("datagrams", 300 + 400)
        assert running.told().kernel_drops == 0


def test_while_the_disk_is_full_connections_wait_and_lose_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    held: list[Connection] = []
    hold = StreamIntake.hold

    def counted(self: StreamIntake, connection: Connection) -> None:
        held.append(connection)
        hold(self, connection)

    monkeypatch.setattr(StreamIntake, "hold", counted)
    room = [0]
    monkeypatch.setattr(spool, "free_octets", lambda folder: room[0])
    with receiving(tmp_path / "spool") as running:
        wait_until(lambda: bool(running.told().full))
        exporters = [taught(running.port, 1, with_template(), a_set(256, flow(1))) for _ in range(3)]
        running.wait_for("connections", 3)
        time.sleep(0.5)
        assert running.told().datagrams == 0
        assert len(held) <= 3  # once each, and not again and again
        room[0] = 1 << 40
        running.wait_for("datagrams", 3)
        running.end()
        assert running.records() == 3
        assert running.told().unspooled == 0
    for exporter in exporters:
        exporter.close()
