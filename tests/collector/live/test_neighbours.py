"""Several collectors, exporters that share a name or change their port, and signals: each with its counts."""

from __future__ import annotations

import signal
import socket
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest
from click.testing import CliRunner

from flowdiag import read_export
from flowdiag.addresses import to_text
from flowdiag.cli.main import main
from tests.collector.decode.wire import (
    FLOW_FIELDS,
    a_set,
    flow,
    ipfix,
    netflow9,
    template,
    with_template,
    with_template9,
)
from tests.collector.live.running import FLOWS, Running, Sender, wait_until


class Protocol(NamedTuple):
    """taught: a set with the template of flow(); step: what the sequence number counts of a message of three records."""

    message: Callable[..., bytes]
    taught: bytes
    step: int


IPFIX = Protocol(ipfix, with_template(), 3)
NETFLOW9 = Protocol(netflow9, with_template9(), 1)


class Exporter:
    """A router at an address of loopback. Its messages have three flows each, which their octets tell apart."""

    def __init__(self, running: Running, host: str, protocol: Protocol = IPFIX) -> None:
        self._host = host
        self._target = ("127.0.0.1", running.port)
        self._protocol = protocol
        self.change_port()

    def change_port(self) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind((self._host, 0))

    def send(self, *numbers: int, taught: bool = False) -> None:
        """Messages by their numbers. taught: the template comes with the first."""
        message, template_set, step = self._protocol
        for number in numbers:
            sets = [template_set] if taught and number == numbers[0] else []
            data = a_set(256, *map(flow, range(3 * number + 1, 3 * number + 4)))
            self.send_octets(message(*sets, data, sequence=step * number))

    def send_octets(self, octets: bytes) -> None:
        self._socket.sendto(octets, self._target)


def of_messages(*numbers: int) -> list[int]:
    """The octets of the flows of some messages."""
    return [100 * flow_number for n in numbers for flow_number in range(3 * n + 1, 3 * n + 4)]


def stored(store: Path) -> dict[str, list[int]]:
    """The octets of all flows, sorted, by exporter."""
    found: dict[str, list[int]] = {}
    table = read_export(store)
    for exporter, octets in zip(table["exporter"].to_pylist(), table["octets"].to_pylist(), strict=True):
        found.setdefault(to_text(exporter), []).append(octets)
    return {exporter: sorted(octets) for exporter, octets in found.items()}


def test_two_collectors_fill_one_store_and_nothing_is_missing_or_there_twice(tmp_path: Path) -> None:
    store = tmp_path / "store"
    second = ["--spool", str(tmp_path / "spool")]
    with Running(store) as one, Running(store, *second, log=tmp_path / "second.log") as two:
        senders = [(running, Sender(running.port)) for running in (one, two)]
        for _ in range(4):  # segments of both end while the other adds its own
            for running, sender in senders:
                sender.send(50)
                running.wait_for("synced_total", sender.sent)
        for running, _ in senders:
            assert running.end() == 0, running.log
            assert "0 MB to decode, 0 dropped, 0 records lost" in running.log.splitlines()[-1]
            assert f" {200 * FLOWS:,} records stored" in running.log.splitlines()[-1]
    counted = Counter(read_export(store)["octets"].to_pylist())
    assert len(counted) == 200 * FLOWS
    assert set(counted.values()) == {2}  # both exporters send the same flows
    assert not list((store / "_flowdiag" / "aside").rglob("*.parquet"))


@pytest.mark.parametrize("workers", ["1", "2"])
@pytest.mark.parametrize("kind", [socket.SOCK_DGRAM, socket.SOCK_STREAM], ids=["udp", "tcp"])
def test_a_port_that_another_program_has_is_one_clear_line(
    tmp_path: Path, workers: str, kind: socket.SocketKind
) -> None:
    with socket.socket(socket.AF_INET, kind) as taken:
        taken.bind(("127.0.0.1", 0))
        place = f"127.0.0.1:{taken.getsockname()[1]}"
        words = ["collect", "--listen", place, "--store", str(tmp_path / "store"), "--metrics-port", "none"]
        refused = CliRunner().invoke(main, [*words, "--workers", workers])
    line = "an address of this machine and a port that no other program uses"
    assert refused.exit_code == 2
    assert refused.stderr == f"flowdiag: cannot listen at {place} (Address already in use); expected {line}\n"


def test_an_exporter_whose_port_changes_is_a_new_session_and_loses_nothing(tmp_path: Path) -> None:
    """RFC 7011 8.1 binds templates to a transport session, of which the port is part: data of the new port waits for the
    templates to come again, from one segment to the next. Sequence numbers are the session's too (3.1): a message that
    is missing in it is lost, and what was lost while the port changed nobody can tell."""
    with Running(tmp_path / "store") as running:
        exporters = [
            Exporter(running, "127.0.0.11", IPFIX),
            Exporter(running, "127.0.0.12", NETFLOW9),
        ]
        for exporter in exporters:
            exporter.send(0, 1, taught=True)
            exporter.change_port()
            exporter.send(2, 3, 4)
        running.wait_for("messages_total", 10)  # decoded, as far as they can be
        assert running.metric("records_total") == 2 * 6
        assert running.metric("undecoded_total") == 0
        for exporter in exporters:
            exporter.send(5, 7, 8, taught=True)
        running.wait_for(
            "late_total", 2 * 9
        )  # messages 2, 3 and 4 of each, which were kept for the templates
        assert running.end() == 0, running.log
        ended = running.log.splitlines()[-1]
    all_of_it = of_messages(0, 1, 2, 3, 4, 5, 7, 8)
    assert stored(tmp_path / "store") == {"127.0.0.11": all_of_it, "127.0.0.12": all_of_it}
    assert " 48 records stored" in ended
    assert " 6 records lost before" in ended  # message 6 of each


def test_exporters_of_one_source_id_and_template_id_are_not_mixed(tmp_path: Path) -> None:
    """Two routers, and two processes behind one address, all with domain 1 and template 256, each with a layout of its
    own: fields in another order. RFC 7011 3.1: a domain is unique to its exporter only; 8.1: a template to its session."""
    other_order = (*FLOW_FIELDS[:5], FLOW_FIELDS[6], FLOW_FIELDS[5], *FLOW_FIELDS[7:])
    swapped = a_set(2, template(256, other_order))
    with Running(tmp_path / "store") as running:
        usual = [Exporter(running, host) for host in ("127.0.0.13", "127.0.0.15")]
        other = [Exporter(running, host) for host in ("127.0.0.14", "127.0.0.15")]
        for exporter in usual:
            exporter.send_octets(ipfix(with_template()))
        for exporter in other:
            exporter.send_octets(ipfix(swapped))
        for number in range(20):
            for exporter in (*usual, *other):
                exporter.send(number)
        running.wait_for("datagrams_total", 84)
        assert running.end() == 0, running.log
        ended = running.log.splitlines()[-1]
    assert " 240 records stored" in ended
    assert " 0 records lost before" in ended  # each counts for itself
    of_usual = of_messages(*range(20))
    of_other = [octets // 100 for octets in of_usual]  # their packets stand where the others have octets
    assert stored(tmp_path / "store") == {
        "127.0.0.13": of_usual,
        "127.0.0.14": of_other,
        "127.0.0.15": sorted(of_usual + of_other),
    }


def test_the_allow_list_is_read_again_without_losing_a_datagram_of_those_on_it(tmp_path: Path) -> None:
    listed = tmp_path / "allowed"
    listed.write_text("127.0.0.1\n")
    with Running(tmp_path / "store", "--allow-file", str(listed)) as running:
        sender, stranger = Sender(running.port), Exporter(running, "127.0.0.2")
        for time in range(1, 6):
            sender.send(100)
            stranger.send(time, taught=True)
            running.process.send_signal(signal.SIGHUP)
            sender.send(100)
            wait_until(lambda time=time: running.log.count("the allow list was read again") == time)  # type: ignore[misc]
        listed.write_text("127.0.0.0/30\n")
        running.process.send_signal(signal.SIGHUP)
        wait_until(lambda: running.log.count("the allow list was read again") == 6)
        running.wait_for("not_allowed_total", 5)
        sender.send(100)
        wait_until(lambda: stranger.send(0, taught=True) or running.metric("datagrams_total") > 1_100)
        assert running.metric("not_allowed_total") < running.metric("datagrams_total") - 1_000
        assert running.end() == 0, running.log
        assert " 0 dropped, 0 records lost before" in running.log.splitlines()[-1]
    found = stored(tmp_path / "store")
    assert len(found["127.0.0.1"]) == len(set(found["127.0.0.1"])) == 1_100 * FLOWS
    assert set(found["127.0.0.2"]) == set(of_messages(0))
