"""Work on segments that is cut off by the end keeps what it has done, segment by segment."""

from __future__ import annotations

import time
from collections.abc import Callable
from multiprocessing import Pipe
from pathlib import Path

import pytest

from flowdiag import read_export
from flowdiag.collector.live import decoding
from flowdiag.collector.live.allow import AllowList
from flowdiag.collector.live.counters import Decoded
from flowdiag.collector.live.decoders import Interrupted
from flowdiag.collector.live.decoding import Decoding
from flowdiag.collector.live.exporter_state import ExporterState
from flowdiag.collector.live.receiver import STOP
from flowdiag.collector.live.settings import Settings
from flowdiag.collector.live.spool import Segment, segments
from tests.collector.decode.wire import with_template
from tests.collector.live.made_up import Worker, flows, message

SEGMENTS = 12
RECORDS = 5  # in each


@pytest.fixture
def worker(tmp_path: Path) -> Worker:
    return Worker(tmp_path)


@pytest.fixture
def waiting(worker: Worker) -> list[Segment]:
    """The template is in the first of them alone."""
    return [
        worker.segment(
            [
                message(
                    *([] if n else [with_template()]),
                    flows(RECORDS, first=1 + RECORDS * n),
                    sequence=RECORDS * n,
                )
            ]
        )
        for n in range(SEGMENTS)
    ]


def numbers_of(worker: Worker) -> list[int]:
    return sorted(octets // 100 for octets in read_export(worker.store)["octets"].to_pylist())


def after(times: int) -> Callable[[], bool]:
    """True from the n-th time on."""
    told = iter([False] * (times - 1))
    return lambda: next(told, True)


@pytest.mark.parametrize("enough", [1, 5, SEGMENTS])
def test_what_is_enough_is_in_the_store_and_the_others_follow(
    worker: Worker, waiting: list[Segment], enough: int
) -> None:
    count, stored = worker.storing.store(waiting, enough=after(enough))
    assert (count, stored.records) == (enough, enough * RECORDS)
    assert segments(worker.folder) == waiting[enough:]
    assert numbers_of(worker) == list(range(1, 1 + enough * RECORDS))
    worker.start()  # what was learned is known after it
    if enough < SEGMENTS:
        count, stored = worker.storing.store(waiting[enough:], last=True)
        assert (count, stored.records, stored.lost_records) == (SEGMENTS - enough, count * RECORDS, 0)
    assert numbers_of(worker) == list(range(1, 1 + SEGMENTS * RECORDS))


def test_what_is_cut_off_in_the_middle_of_a_segment_is_done_again_and_only_once(
    worker: Worker, waiting: list[Segment]
) -> None:
    worker.storing.store(waiting, enough=after(4))
    with pytest.raises(Interrupted):
        worker.storing.store(waiting[4:], ended=after(3))
    assert segments(worker.folder) == waiting[4:]
    worker.start()
    count, stored = worker.storing.store(waiting[4:])
    assert (count, stored.records) == (8, 8 * RECORDS)
    assert numbers_of(worker) == list(range(1, 1 + SEGMENTS * RECORDS))


class Told:
    """A decoding process without the process,."""

    def __init__(self, worker: Worker) -> None:
        self._supervisor, pipe = Pipe()
        settings = Settings(str(worker.store), worker.spool)
        self._decoding = Decoding(settings, [worker.folder], AllowList(None), pipe)
        self._worker = worker

    def stop(self) -> None:
        self._supervisor.send(STOP)

    def run(self) -> Decoded:
        """Until the end. Gives what was counted last."""
        self._decoding.run()
        told = Decoded()
        while self._supervisor.poll():
            told = self._supervisor.recv()
        return told


@pytest.fixture
def slow(monkeypatch: pytest.MonkeyPatch) -> list[Callable[[], None]]:
    """What is done when the n-th message was decoded; each takes a tenth of the time that there is at the end."""
    doing: list[Callable[[], None]] = []
    monkeypatch.setattr(decoding, "FINISH_S", 0.5)
    take = ExporterState.take

    def slowly(state: ExporterState, *arguments: object) -> None:
        take(state, *arguments)  # type: ignore[arg-type]
        time.sleep(0.05)
        if doing:
            doing.pop(0)()

    monkeypatch.setattr(ExporterState, "take", slowly)
    return doing


def nothing() -> None:
    """The message is decoded, that is all."""


def test_an_end_keeps_the_segments_before_it_and_goes_on_while_there_is_time(
    worker: Worker, waiting: list[Segment], slow: list[Callable[[], None]]
) -> None:
    decoder = Told(worker)
    slow += [nothing, nothing, decoder.stop]
    told = decoder.run()
    done = SEGMENTS - len(segments(worker.folder))
    assert 3 <= done < SEGMENTS
    assert (told.segments, told.records) == (done, done * RECORDS)
    assert numbers_of(worker) == list(range(1, 1 + done * RECORDS))


def test_however_often_the_end_comes_the_work_gets_on(
    worker: Worker, waiting: list[Segment], slow: list[Callable[[], None]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(decoding, "FINISH_S", 0.0)  # nothing more is begun once it has come
    left = [SEGMENTS]
    while left[-1]:
        decoder = Told(worker)
        slow[:] = [nothing, decoder.stop]
        decoder.run()
        left.append(len(segments(worker.folder)))
        assert left[-1] < left[-2], "an end without progress"
    assert numbers_of(worker) == list(range(1, 1 + SEGMENTS * RECORDS))


def test_what_is_taken_together_is_put_into_the_store_after_some_seconds(
    worker: Worker, waiting: list[Segment], slow: list[Callable[[], None]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(decoding, "TOGETHER_S", 0.12)  # three messages
    files: list[int] = []
    slow += [lambda: files.append(len(list(worker.store.glob("exporter=*/*/*"))))] * SEGMENTS
    decoder = Told(worker)
    slow[-1] = decoder.stop
    told = decoder.run()
    assert told.segments == SEGMENTS
    assert files[0] == 0 < files[-1]
    assert numbers_of(worker) == list(range(1, 1 + SEGMENTS * RECORDS))
