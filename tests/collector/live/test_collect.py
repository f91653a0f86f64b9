"""The collector as a user runs it."""

from __future__ import annotations

import os
import signal
import socket
import ssl
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner

from flowdiag import read_export
from flowdiag.addresses import to_bytes
from flowdiag.cli.main import main
from flowdiag.collector.store.finding import find_files
from flowdiag.collector.store.opening import open_backend
from flowdiag.rollup.making import LEAST_ROWS
from flowdiag.rollup.shape import TABLES
from flowdiag.rollup.stored import read_rollups
from flowdiag.scenario.bulk import write_bulk
from tests.collector.decode.wire import (
    a_set,
    flow,
    ipfix,
    netflow5,
    netflow9,
    record5,
    with_template,
    with_template9,
)
from tests.collector.live.running import FLOWS, Running, Sender, wait_until


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "store"


@pytest.fixture
def collector(store: Path) -> Iterator[Running]:
    with Running(store) as running:
        yield running


def test_flows_of_all_protocols_and_transports_on_one_port_are_in_the_store_at_the_end(store: Path) -> None:
    with Running(store, listen="[::]:0") as running:
        four, six = Sender(running.port), Sender(running.port, "::1")
        stream = Sender(running.port, kind=socket.SOCK_STREAM)
        for sender in (four, six, stream):
            sender.send(10)
        four.socket.send(netflow5(record5(), record5(), sequence=7))
        four.socket.send(netflow9(with_template9(), sequence=7))
        running.wait_for("datagrams_total", 32)
        assert running.end() == 0
    if not list(
        store.glob("exporter=*")
    ):  # on a busy machine ten seconds may be over before: then at the next start
        with Running(store, listen="[::]:0") as running:
            running.wait_for("records_total", 3 * 10 * FLOWS + 2)
            assert running.end() == 0
    flows = read_export(store)
    assert len(flows) == 3 * 10 * FLOWS + 2
    assert set(pc.unique(flows["exporter"]).to_pylist()) == {to_bytes("127.0.0.1"), to_bytes("::1")}


def test_the_store_fills_while_the_collector_runs_and_the_spool_empties(collector: Running) -> None:
    Sender(collector.port).send(50)
    collector.wait_for("records_total", 50 * FLOWS)
    assert collector.metric("synced_total") == 50
    assert collector.metric("waiting_segments") == 0
    assert collector.get("/health") == "ok\n"
    assert not list(collector.store.glob("_flowdiag/spool/0/*.pcap"))


def test_the_store_gets_roll_ups_of_all_but_small_files(collector: Running) -> None:
    """Of flows of today: those of another day than that of the capture stand in a folder without a day."""
    sender, now_s, messages = Sender(collector.port), int(time.time()), 2 * LEAST_ROWS // FLOWS
    for message in range(messages):
        numbers = range(message * FLOWS, (message + 1) * FLOWS)
        records = (flow(n, start_ms=1000 * now_s - 5000, end_ms=1000 * now_s) for n in numbers)
        sets = with_template(), a_set(256, *records)
        sender.socket.send(ipfix(*sets, sequence=message * FLOWS, export_s=now_s))
    collector.wait_for("records_total", messages * FLOWS)
    assert collector.end() == 0, collector.log
    backend = open_backend(collector.store)
    rolled = read_rollups(backend, find_files(backend), TABLES)
    rows = [pq.read_metadata(collector.store / one.file.target).num_rows for one in rolled]
    told = [None if one.rollup is None else one.rollup.facts.rows for one in rolled]
    assert told == [count if count >= LEAST_ROWS else None for count in rows]
    assert any(told)


def test_other_senders_are_counted_and_dropped_and_the_list_is_read_again(
    store: Path, tmp_path: Path
) -> None:
    listed = tmp_path / "allowed"
    listed.write_text("192.0.2.0/24  # documentation\n\n")
    with Running(store, "--allow-file", str(listed), "--allow", "2001:db8::/32") as running:
        sender = Sender(running.port)
        sender.send(5)
        running.wait_for("not_allowed_total", 5)
        assert running.metric("datagrams_total") == 0
        assert "5 datagrams came from addresses that --allow does not list" in running.log
        listed.write_text("127.0.0.0/8\n")
        running.process.send_signal(signal.SIGHUP)
        wait_until(lambda: "the allow list was read again" in running.log)
        wait_until(lambda: sender.send(1) or running.metric("datagrams_total") > 0)
        listed.write_text("no network\n")
        running.process.send_signal(signal.SIGHUP)
        wait_until(lambda: "the allow list stays as it was" in running.log)


def test_a_sender_beyond_its_rate_leaves_the_others_their_place(store: Path) -> None:
    with Running(store, "--rate", "10") as running:
        noisy, quiet = Sender(running.port), Sender(running.port)
        quiet.socket.close()
        quiet.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        quiet.socket.bind(("127.0.0.2", 0))
        quiet.socket.connect(("127.0.0.1", running.port))
        noisy.send(500)
        quiet.send(5)
        running.wait_for("limited_total", 300)
        assert running.end() == 0
        assert "their exporters sent more than --rate allows" in running.log
    flows = read_export(store)
    of_quiet = flows["exporter"].to_pylist().count(to_bytes("127.0.0.2"))
    assert of_quiet == 5 * FLOWS
    assert len(flows) - of_quiet < 200 * FLOWS


class TlsSender(Sender):
    def __init__(self, port: int, context: ssl.SSLContext) -> None:
        super().__init__(port, kind=socket.SOCK_STREAM)
        self.socket = context.wrap_socket(self.socket)

    def __enter__(self) -> TlsSender:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def test_connections_have_to_be_tls_when_there_is_a_certificate(store: Path, tmp_path: Path) -> None:
    certificate = tmp_path / "collector.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
         "-subj", "/CN=collector.example", "-days", "2", "-keyout", certificate, "-out", tmp_path / "public.pem"],
        check=True, capture_output=True,
    )  # fmt: skip
    certificate.write_text(certificate.read_text() + (tmp_path / "public.pem").read_text())
    with Running(store, "--certificate", str(certificate)) as running:
        plain = Sender(running.port, kind=socket.SOCK_STREAM)
        plain.send(1)
        running.wait_for("connections_broken_total", 1)
        context = ssl.create_default_context(cafile=str(tmp_path / "public.pem"))
        context.check_hostname = False
        with TlsSender(running.port, context) as secured:
            secured.send(20)
            running.wait_for("datagrams_total", 20)
        assert running.end() == 0
    assert len(read_export(store)) == 20 * FLOWS


def test_several_workers_share_the_port_and_a_later_single_one_works_off_what_they_left(store: Path) -> None:
    with Running(store, "--workers", "2", "--segment", "60s") as running:
        senders = [Sender(running.port) for _ in range(8)]
        for sender in senders:
            sender.send(10)
        running.wait_for("synced_total", 80)
        spools = list(store.glob("_flowdiag/spool/[01]/*.open"))
        assert len(spools) == 2
        running.kill()
    with Running(store) as running:
        running.wait_for("records_total", 80 * FLOWS)
    assert len(read_export(store)) == 80 * FLOWS


def test_a_process_that_dies_is_started_again(collector: Running) -> None:
    sender = Sender(collector.port)
    sender.send(5)
    collector.wait_for("synced_total", 5)
    workers = collector.workers()
    assert len(workers) == 2
    for pid in workers:
        os.kill(pid, signal.SIGKILL)
    wait_until(lambda: collector.log.count("is started again") == 2)
    sender.send(5)
    collector.wait_for("records_total", 10 * FLOWS)
    assert collector.metric("datagrams_total") == 10


def test_a_second_collector_of_a_port_or_spool_is_refused(collector: Running, tmp_path: Path) -> None:
    listen = f"127.0.0.1:{collector.port}"
    words = ["collect", "--listen", listen, "--metrics-port", "none"]
    refused = CliRunner().invoke(main, [*words, "--store", str(tmp_path / "other")])
    assert refused.exit_code == 2
    assert f"cannot listen at {listen} (Address already in use)" in refused.output


def test_ingest_adds_to_the_same_store_meanwhile(collector: Running, tmp_path: Path) -> None:
    export = write_bulk(tmp_path / "export.ipfix", 4_800)
    sender = Sender(collector.port)
    sender.send(50)
    done = CliRunner().invoke(main, ["ingest", str(export), "--store", str(collector.store), "--quiet"])
    assert done.exit_code == 0, done.output
    sender.send(50)
    collector.wait_for("records_total", 100 * FLOWS)
    assert collector.end() == 0
    assert len(read_export(collector.store)) == 100 * FLOWS + 4_800
