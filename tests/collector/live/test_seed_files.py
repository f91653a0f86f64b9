"""What exporters told outlives the collector, and bounds what they can make it keep."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pytest

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.live import exporter_state, seed_files
from flowdiag.collector.live.decoders import Decoders
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.report import ExportReport
from tests.collector.decode.wire import (
    EXPORT_S,
    FLOW_FIELDS,
    a_set,
    flow,
    ipfix,
    session,
    template,
    with_template,
)


def message(
    *sets: bytes, sequence: int = 0, exporter: int = 1, port: int = 50_000, after_s: int = 0, domain: int = 1
) -> Datagram:
    octets = ipfix(*sets, sequence=sequence, domain=domain, export_s=EXPORT_S + after_s)
    return Datagram(session(exporter, port), octets, (EXPORT_S + after_s) * 1000, 0)


def flows(count: int) -> bytes:
    return a_set(256, *map(flow, range(1, count + 1)))


class Told:
    """What decoders make of messages, by the last octet of the exporter's address."""

    def __init__(self, known: Decoders, messages: Iterable[Datagram], *, last: bool = True) -> None:
        list(known.take(messages, "segment"))
        self.records: dict[int, int] = {}
        self.reports: dict[int, ExportReport] = {}
        for state in known.touched():
            assert state.session is not None
            batches, report = state.cut(last=last)
            exporter = state.session.exporter[-1]
            self.records[exporter] = sum(batch.num_rows for batch in batches)
            self.reports[exporter] = report
        known.bound()


def restarted(spool: Path, *earlier: Decoders) -> Decoders:
    """What each of several workers knew is kept; a new worker starts with all of it."""
    for worker, known in enumerate(earlier):
        folder = spool / str(worker)
        folder.mkdir(parents=True)
        seed_files.save(folder, 7, known.seed())
        assert seed_files.covered(folder) == 7
    started = Decoders()
    started.learn(seed_files.load(spool, Dissector()))
    return started


def test_templates_and_sequence_numbers_outlive_a_restart(tmp_path: Path) -> None:
    before = Decoders()
    assert Told(before, [message(with_template(), flows(3))]).records == {1: 3}
    after = Told(restarted(tmp_path, before), [message(flows(5), sequence=33, after_s=60)])
    assert after.records == {1: 5}
    assert after.reports[1].lost_records == 30  # those that came while nobody was there
    assert [(loss.records, loss.time_ms) for loss in after.reports[1].losses] == [
        (30, (EXPORT_S + 60) * 1000)
    ]


def test_nothing_is_lost_where_the_numbers_go_on(tmp_path: Path) -> None:
    before = Decoders()
    Told(before, [message(with_template(), flows(3))])
    after = Told(restarted(tmp_path, before), [message(flows(5), sequence=3, after_s=60)])
    assert (after.records, after.reports[1].lost_records) == ({1: 5}, 0)
    assert [told.restarts for told in after.reports[1].sessions] == [0]


def test_losses_are_counted_over_restart_after_restart(tmp_path: Path) -> None:
    known = Decoders()
    Told(known, [message(with_template(), flows(1))])
    lost = 0
    for run in range(1, 4):
        known = restarted(tmp_path / str(run), known)
        lost += Told(known, [message(flows(1), sequence=10 * run, after_s=run)]).reports[1].lost_records
    assert lost == 27


def test_a_gap_of_the_last_moments_waits_for_late_messages_unless_it_is_the_last(tmp_path: Path) -> None:
    known = Decoders()
    messages = [message(with_template(), flows(1)), message(flows(1), sequence=4)]
    assert Told(known, messages, last=False).reports[1].lost_records == 0
    late = Told(known, [message(flows(1), sequence=2), message(flows(1), sequence=5)])
    assert late.reports[1].lost_records == 2  # of three, one was late


def test_an_exporter_that_another_worker_heard_before_is_known_by_what_it_told_last(tmp_path: Path) -> None:
    """Which worker gets a sender is the kernel's choice, and may be another after a restart of the machine."""
    first, second = Decoders(), Decoders()
    Told(second, [message(with_template(), flows(3))])
    Told(first, [message(with_template(), flows(2), sequence=200_000, after_s=60)])
    after = Told(restarted(tmp_path, first, second), [message(flows(5), sequence=200_012, after_s=90)])
    assert after.records == {1: 5}
    assert after.reports[1].lost_records == 10


def test_only_the_newest_is_kept_and_half_written_ones_are_removed(tmp_path: Path) -> None:
    known = Decoders()
    Told(known, [message(with_template(), flows(3))])
    for number in (1, 2, 3):
        seed_files.save(tmp_path, number, known.seed())
    (tmp_path / ".000000000004.told").write_bytes(b"half")
    seed_files.tidy(tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["000000000003.last", "000000000003.told"]


def test_a_crash_between_the_two_files_leaves_the_former_knowledge(tmp_path: Path) -> None:
    known = Decoders()
    Told(known, [message(with_template(), flows(3))])
    folder = tmp_path / "0"
    folder.mkdir()
    seed_files.save(folder, 1, known.seed())
    (folder / "000000000002.told").write_bytes(b"")
    assert seed_files.covered(folder) == 1
    assert len(seed_files.load(tmp_path, Dissector()).taught) == 1


def test_damaged_knowledge_is_left_out(tmp_path: Path) -> None:
    known = Decoders()
    Told(known, [message(with_template(), flows(3))])
    folder = tmp_path / "0"
    folder.mkdir()
    seed_files.save(folder, 1, known.seed())
    (folder / "000000000001.told").write_bytes(b"no capture at all")
    seed = seed_files.load(tmp_path, Dissector())
    assert (len(seed.taught), len(seed.last)) == (0, 1)


def test_templates_of_a_hostile_exporter_push_out_its_own_and_nobody_elses() -> None:
    known = Decoders(clock=lambda: 0.0)  # its time is not what is looked at here
    Told(known, [message(with_template(), flows(1), exporter=1)])
    many = [
        message(a_set(2, *(template(number, FLOW_FIELDS) for number in range(first, first + 30))), exporter=2, domain=first)
        for first in range(256, 60_000, 30)
    ]  # fmt: skip
    Told(known, many, last=False)
    after = Told(
        known, [message(flows(4), sequence=1, exporter=1), message(flows(4), exporter=2, domain=256)]
    )
    assert after.records[1] == 4
    assert after.records[2] == 0  # its first template went long ago


def test_a_new_port_each_time_costs_an_exporter_no_templates_of_its_latest_sessions(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(exporter_state, "MAX_SESSIONS", 4)
    known = Decoders()
    for port in range(1, 20):
        told = Told(known, [message(with_template(), flows(2), port=port)])
        assert told.records == {1: 2}
        again = Told(known, [message(flows(3), sequence=4, port=port)])
        assert (again.records, again.reports[1].lost_records) == ({1: 3}, 2)
