"""A segment that comes in parts is in the store once, whatever is interrupted."""

from __future__ import annotations

import shutil
import threading
import time
from multiprocessing import Pipe
from pathlib import Path

import pytest
from click.testing import CliRunner

from flowdiag import read_export
from flowdiag.cli.main import main
from flowdiag.collector.frames import PCAP_HEADER
from flowdiag.collector.live import pieces, seed_files
from flowdiag.collector.live.allow import AllowList
from flowdiag.collector.live.counters import Decoded
from flowdiag.collector.live.decoding import Decoding
from flowdiag.collector.live.exporter_state import ExporterState
from flowdiag.collector.live.parts import End, note_end
from flowdiag.collector.live.pieces import waiting_in
from flowdiag.collector.live.receiver import STOP
from flowdiag.collector.live.seed_files import packet_of
from flowdiag.collector.live.settings import Settings
from flowdiag.collector.live.spool import Piece
from tests.collector.decode.wire import with_template
from tests.collector.live.made_up import Worker, flows, message
from tests.collector.live.running import wait_until

MESSAGES = 8
RECORDS = 5  # in each


class Written:
    """A segment that is written, two messages a minute; the template is in the first of them alone."""

    def __init__(self, folder: Path) -> None:
        self.worker = Worker(folder)
        self.path = self.worker.folder / "000000000001.open"
        self.path.write_bytes(PCAP_HEADER)
        self._next = 0

    def early(self) -> None:
        """Some of a minute, and an early part of it."""
        self.more(2)
        note_end(self.path, End(self.path.stat().st_size, early=True))

    def minute(self) -> None:
        """One more, and a part of it."""
        self.more(2)
        note_end(self.path, End(self.path.stat().st_size))

    def more(self, messages: int) -> None:
        with self.path.open("ab") as file:
            for n in range(self._next, self._next + messages):
                sets = [] if n else [with_template()]
                file.write(
                    packet_of(message(*sets, flows(RECORDS, first=1 + RECORDS * n), sequence=RECORDS * n))
                )
        self._next += messages

    def close(self) -> None:
        self.path = self.path.rename(self.path.with_suffix(".pcap"))

    def waiting(self) -> list[Piece]:
        return waiting_in(self.worker.folder)

    def store(self) -> tuple[int, int, int]:
        """All that waits. Gives records, those lost, and messages that were known."""
        records = lost = known = 0
        while waiting := self.waiting():
            _, stored = self.worker.storing.store(waiting[:1])
            records, lost = records + stored.records, lost + stored.lost_records
            known += 0 if stored.added else stored.messages
        return records, lost, known

    @property
    def files(self) -> int:
        """In the store."""
        return len(list(self.worker.store.glob("exporter=*/*/*")))

    @property
    def numbers(self) -> list[int]:
        return sorted(octets // 100 for octets in read_export(self.worker.store)["octets"].to_pylist())


@pytest.fixture
def written(tmp_path: Path) -> Written:
    return Written(tmp_path)


def numbers(messages: int) -> list[int]:
    return list(range(1, 1 + messages * RECORDS))


def test_each_minute_is_in_the_store_while_the_segment_is_written(written: Written) -> None:
    written.more(2)
    assert written.waiting() == []
    note_end(written.path, End(written.path.stat().st_size))
    assert written.store() == (10, 0, 0)
    written.minute()
    written.minute()
    assert [piece.number for piece in written.waiting()] == [2, 3]
    assert written.store() == (20, 0, 0)
    assert written.path.exists()
    written.more(2)
    written.close()
    assert written.store() == (10, 0, 0)
    assert written.numbers == numbers(MESSAGES)
    assert sorted(path.name for path in written.worker.folder.iterdir()) == [
        "000000000004.last",
        "000000000004.told",
    ]


def test_a_segment_of_which_nothing_is_left_to_decode_goes_as_well(written: Written) -> None:
    written.minute()
    assert written.store() == (10, 0, 0)
    written.close()
    assert written.store() == (0, 0, 0)
    assert not written.path.exists()
    assert written.numbers == numbers(2)


@pytest.mark.parametrize("cut", ["knowledge", "removal"])
@pytest.mark.parametrize("parts", [1, 2, 3])
def test_what_is_cut_short_between_its_steps_is_not_stored_twice(
    written: Written, monkeypatch: pytest.MonkeyPatch, cut: str, parts: int
) -> None:
    """Cut before what was learned is kept, or before what is in the store is removed."""
    for _ in range(3):
        written.minute()
    written.more(2)
    written.close()

    def fail(*_: object) -> None:
        raise OSError("cut short")

    storing = written.worker.storing
    for _ in range(parts - 1):
        storing.store(written.waiting()[:1])
    with monkeypatch.context() as patched:
        patched.setattr(*((seed_files, "save") if cut == "knowledge" else (pieces, "remove")), fail)
        with pytest.raises(OSError, match="cut short"):
            storing.store(written.waiting()[:1])
    written.worker.start()
    records, lost, known = written.store()
    assert (records, lost, known) == ((4 - parts) * 10, 0, 2 if cut == "knowledge" else 0)
    assert written.numbers == numbers(MESSAGES)


def test_several_parts_that_wait_are_taken_together_and_a_start_in_between_knows_how_far_it_came(
    written: Written,
) -> None:
    for _ in range(3):
        written.minute()
    count, stored = written.worker.storing.store(written.waiting())
    assert (count, stored.records) == (3, 30)
    written.worker.start()
    written.more(2)
    written.close()
    assert written.store() == (10, 0, 0)
    assert written.numbers == numbers(MESSAGES)
    assert written.files == 2


def test_a_copy_of_a_segment_that_came_in_parts_is_known(written: Written, tmp_path: Path) -> None:
    for _ in range(3):
        written.minute()
    written.more(2)
    written.close()
    copy = tmp_path / "copy.pcap"
    shutil.copy(written.path, copy)
    assert written.store() == (40, 0, 0)
    done = CliRunner().invoke(main, ["ingest", str(copy), "--store", str(written.worker.store), "--quiet"])
    assert done.exit_code == 0, done.output
    assert written.numbers == numbers(MESSAGES)


def test_a_part_is_read_on_when_its_segment_is_closed_meanwhile(written: Written) -> None:
    written.minute()
    waiting = written.waiting()
    written.close()
    assert written.worker.storing.store(waiting)[1].records == 10
    assert written.store() == (0, 0, 0)
    assert written.numbers == numbers(2)


def test_a_part_that_cannot_be_decoded_is_set_aside_and_the_others_are_not(
    written: Written, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fault of the program: the second minute's messages raise what nobody expects."""
    for _ in range(3):
        written.minute()
    take = ExporterState.take
    again: list[int] = []

    def fault(state: ExporterState, datagrams: list[object], file: str) -> None:
        if any(int.from_bytes(datagram.payload[8:12], "big") in (10, 15) for datagram in datagrams):  # type: ignore[attr-defined]
            again.append(1)
            raise ZeroDivisionError
        take(state, datagrams, file)  # type: ignore[arg-type]

    monkeypatch.setattr(ExporterState, "take", fault)
    supervisor, pipe = Pipe()
    settings = Settings(str(written.worker.store), written.worker.spool)
    decoding = Decoding(settings, [written.worker.folder], AllowList(None), pipe)
    supervisor.send(STOP)
    decoding.run()
    told = None
    while supervisor.poll():
        told = supervisor.recv()
    assert told is not None
    assert (told.set_aside, told.records) == (1, 20)
    assert written.numbers == [*range(1, 11), *range(21, 31)]
    aside = written.worker.folder / "000000000002.set-aside"
    octets = written.path.read_bytes()
    assert aside.read_bytes()[len(PCAP_HEADER) :] in octets
    assert len(again) == 1
    assert written.path.exists()


def test_early_parts_are_in_the_store_with_the_rest_of_their_minute_as_one(written: Written) -> None:
    written.early()
    first = written.waiting()
    asked: list[int] = []

    def more(early: Piece) -> list[Piece]:
        asked.append(early.number)
        assert written.files == 0
        written.early() if len(asked) == 1 else written.minute()
        return [piece for piece in written.waiting() if piece.number > early.number]

    count, stored = written.worker.storing.store(first, more=more)
    assert (asked, count, stored.records) == ([1, 2], 3, 30)
    assert (written.files, written.waiting()) == (1, [])
    written.close()
    assert written.store() == (0, 0, 0)
    assert written.numbers == numbers(6)


@pytest.mark.parametrize("done", [1, 2])
def test_early_parts_that_a_crash_cut_off_are_decoded_again_and_only_once(
    written: Written, monkeypatch: pytest.MonkeyPatch, done: int
) -> None:
    """Cut off in the middle of the minute, or right after it came into the store."""
    written.early()

    def more(early: Piece) -> list[Piece]:
        if done == 1:
            raise OSError("cut short")
        written.minute()
        return written.waiting()[-1:]

    def fail(*_: object) -> None:
        raise OSError("cut short")

    with monkeypatch.context() as patched:
        patched.setattr(seed_files, "save", fail)
        with pytest.raises(OSError, match="cut short"):
            written.worker.storing.store(written.waiting(), more=more)
    written.worker.start()
    written.minute()
    written.close()
    assert written.store() == (20 if done == 1 else 10, 0, 0 if done == 1 else 4)
    assert written.numbers == numbers(2 * (done + 1))


class Running:
    """A decoding process without the process."""

    def __init__(self, written: Written) -> None:
        self._supervisor, self._pipe = Pipe()
        settings = Settings(str(written.worker.store), written.worker.spool)
        decoding = Decoding(settings, [written.worker.folder], AllowList(None), self._pipe)
        self._thread = threading.Thread(target=decoding.run)
        self._thread.start()
        self._told = Decoded()

    def stop(self) -> Decoded:
        self._supervisor.send(STOP)
        self._thread.join(20.0)
        return self.told

    @property
    def told(self) -> Decoded:
        while self._supervisor.poll():
            self._told = self._supervisor.recv()
        return self._told


def test_a_decoder_begins_with_an_early_part_and_stores_the_minute_when_it_is_over(written: Written) -> None:
    running = Running(written)
    written.early()
    time.sleep(1.0)
    assert written.files == 0
    written.early()
    written.minute()
    wait_until(lambda: written.files == 1)
    wait_until(lambda: running.told.records == 30)
    told = running.stop()
    assert (told.segments, told.records, told.waiting_segments) == (3, 30, 0)
    assert written.numbers == numbers(6)


def test_an_end_in_the_middle_of_a_minute_keeps_what_came_of_it(written: Written) -> None:
    running = Running(written)
    written.early()
    time.sleep(1.0)
    assert running.stop().records == 10
    assert written.numbers == numbers(2)
    written.worker.start()
    written.more(2)
    written.close()
    assert written.store() == (10, 0, 0)
    assert written.numbers == numbers(4)
