"""What the bench counts, where the counts are known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from flowdiag.collector.frames import PCAP_HEADER, packet_record, udp_front
from tests.attacks.evidence import Spooled, Stored
from tests.attacks.honest import TEMPLATE_ID, Honest
from tests.attacks.outcome import COLUMNS, Fate, Outcome, line
from tests.attacks.plans import ATTACKS
from tests.collector.decode.wire import a_set, flow, ipfix, v4, with_template

PORT = 50_001


@pytest.fixture
def honest() -> Honest:
    exporter = Honest("udp", "127.0.1.1", 4739)
    exporter.ports.add(PORT)
    return exporter


def packet(
    numbers: Sequence[int], address: str = "127.0.1.1", port: int = PORT, template: bool = False
) -> bytes:
    payload = ipfix(*([with_template()] if template else []), a_set(TEMPLATE_ID, *map(flow, numbers)))
    front = udp_front(v4(address), port, v4("127.0.0.1"), 4739, len(payload))
    return packet_record(1_700_000_000, 0, front, payload)


def test_records_of_the_spool_are_counted_once_and_without_those_of_others(
    tmp_path: Path, honest: Honest
) -> None:
    worker = tmp_path / "spool" / "0"
    worker.mkdir(parents=True)
    spooled = Spooled(tmp_path / "spool", tmp_path / "kept")
    first = worker / "000000000001.open"
    first.write_bytes(PCAP_HEADER + packet([1, 2, 3], template=True))
    spooled.keep()
    with first.open("ab") as file:  # it grows, is closed, and is removed
        file.write(packet([3, 4]) + packet([5], address="127.0.1.2") + packet([6], port=PORT + 1))
    closed = first.rename(first.with_suffix(".pcap"))
    spooled.keep()
    closed.unlink()
    (worker / "000000000002.open").write_bytes(PCAP_HEADER + packet([7]))
    spooled.keep()
    assert spooled.numbers(honest).tolist() == [1, 2, 3, 4, 7]


def test_records_of_the_store_are_those_that_the_exporter_sent(tmp_path: Path, honest: Honest) -> None:
    folder = tmp_path / "exporter=127.0.1.1" / "day=2026-03-02"
    folder.mkdir(parents=True)
    stored = Stored(tmp_path, honest)
    assert len(stored.numbers()) == 0
    # the last one is of somebody else, who sent with the same address
    table = pa.table(
        {"octets": pa.array([100, 200, 200, 7], pa.uint64()), "packets": pa.array([1, 2, 2, 1], pa.uint64())}
    )
    pq.write_table(table, folder / "a.parquet")
    assert sorted(stored.numbers().tolist()) == [1, 2, 2]
    pq.write_table(table.slice(0, 1), folder / "b.parquet")
    assert sorted(stored.numbers().tolist()) == [1, 1, 2, 2]


GOOD = Outcome(
    "garbage", 500, (Fate("udp", 100, 100, 100), Fate("tcp", 100, 100, 100)), 200 << 20, 1.0, 0, 2.0, 0, 0, 2
)


def test_nothing_is_wrong_where_all_is_in_the_store_in_time() -> None:
    assert GOOD.faults() == []
    assert line(GOOD.row()).split() == [
        "garbage",
        "500",
        "200",
        "200",
        "200",
        "0",
        "200",
        "1.0",
        "0,",
        "2.0",
        "s",
        "2",
    ]
    assert len(line(COLUMNS)) == len(line(GOOD.row()))


@pytest.mark.parametrize(
    ("bad", "fault"),
    [
        (replace(GOOD, fates=(Fate("udp", 100, 90, 80),)), "udp: 20 of 100 records are missing, 10 not even spooled"),
        (replace(GOOD, fates=(Fate("udp", 100, 100, 100, doubled=3),)), "udp: 3 records are in the store more than once"),
        (replace(GOOD, recovery_s=None), "what was sent before the attack ended was too late in the store"),
        (replace(GOOD, recovery_s=61.0), "what was sent before the attack ended was 61 s later in the store"),
        (replace(GOOD, memory=701 << 20), "701 MiB of memory, more than 700"),
        (replace(GOOD, code=1), "exit code 1"),
        (replace(GOOD, ended_s=10.1), "it took 10.1 s to end"),
        (replace(GOOD, unanswered=2), "/health was not answered 2 times"),
        (replace(GOOD, drops=1_000), "the kernel dropped 1,000 datagrams"),
    ],
)  # fmt: skip
def test_each_thing_that_is_wrong_is_said(bad: Outcome, fault: str) -> None:
    assert bad.faults() == [fault]


def test_attacks_are_told_apart_by_their_names() -> None:
    assert len({attack.name for attack in ATTACKS}) == len(ATTACKS)
