"""The spool: captures that any tool opens, whole whatever happens."""

from __future__ import annotations

import errno
import os
import shutil
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from scapy.utils import RawPcapReader

from flowdiag.addresses import to_bytes
from flowdiag.collector.frames import PCAP_HEADER, packet_record, udp_front
from flowdiag.collector.live import spool
from flowdiag.collector.live.parts import ends_of
from flowdiag.collector.live.pieces import opened_piece, waiting_in
from flowdiag.collector.live.spool import (
    OPEN,
    Piece,
    SpoolWriter,
    owner_of,
    recover,
    segments,
    spool_lock,
    spool_name,
    whole_packets,
)
from flowdiag.errors import StoreError
from tests.collector.live.running import wait_until

FRONT = udp_front(to_bytes("192.0.2.1"), 50_000, to_bytes("198.51.100.1"), 4739, 100)
NEVER_S = 3600.0


def packet(number: int) -> bytes:
    return packet_record(1_700_000_000 + number, 0, FRONT, bytes([number % 256]) * 100)


def capture(*numbers: int) -> bytes:
    return PCAP_HEADER + b"".join(map(packet, numbers))


@contextmanager
def writing(folder: Path, **options: Any) -> Iterator[SpoolWriter]:
    writer = SpoolWriter(folder, **({"sync_s": 0.02, "seconds": NEVER_S, "octets": 1 << 20} | options))
    try:
        yield writer
    finally:
        writer.finish()


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_segment_is_a_capture_that_another_program_reads(tmp_path: Path) -> None:
    with writing(tmp_path) as writer:
        assert writer.append([packet(1), packet(2)], 2)
        assert writer.append([packet(3)], 1)
    assert names(tmp_path) == ["000000000001.pcap"]
    with closing(RawPcapReader(str(tmp_path / "000000000001.pcap"))) as packets:
        read = [(meta.sec, octets) for octets, meta in packets]
    assert read == [(1_700_000_000 + n, FRONT + bytes([n]) * 100) for n in (1, 2, 3)]


def test_a_segment_is_closed_when_it_is_large_enough(tmp_path: Path) -> None:
    with writing(tmp_path, octets=len(capture(1, 2))) as writer:
        for number in range(5):
            writer.append([packet(number)], 1)
        wait_until(lambda: names(tmp_path)[-1].endswith(OPEN) and len(segments(tmp_path)) == 2)
    assert [path.read_bytes() for _, path in segments(tmp_path)] == [capture(0, 1), capture(2, 3), capture(4)]


def test_a_segment_is_closed_when_its_time_is_over_and_none_is_begun_without_packets(tmp_path: Path) -> None:
    with writing(tmp_path, seconds=0.05) as writer:
        writer.append([packet(1)], 1)
        writer.tick()
        assert names(tmp_path) == ["000000000001.open"]
        time.sleep(0.06)
        for _ in range(3):
            writer.tick()
        wait_until(lambda: names(tmp_path) == ["000000000001.pcap"])


def test_numbers_go_on_after_whatever_a_folder_holds(tmp_path: Path) -> None:
    for name in ("000000000007.told", "000000000009.set-aside", "lock"):
        (tmp_path / name).touch()
    with writing(tmp_path) as writer:
        writer.append([packet(1)], 1)
    assert [number for number, _ in segments(tmp_path)] == [10]


def test_what_counts_as_synced_was_forced_to_disk_within_the_interval(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    forced: list[int] = []
    fsync = os.fsync

    def watched(descriptor: int) -> None:
        fsync(descriptor)
        forced.append(os.fstat(descriptor).st_size)

    monkeypatch.setattr(os, "fsync", watched)
    with writing(tmp_path, sync_s=0.05) as writer:
        writer.append([packet(1)], 1)
        before = time.monotonic()
        wait_until(lambda: writer.synced == 1)
        assert time.monotonic() - before < 5.0
        assert len(capture(1)) in forced
        monkeypatch.setattr(writer, "_sync_s", NEVER_S)
        wait_until(lambda: forced[-1:] == [len(capture(1))])
        time.sleep(0.1)
        writer.append([packet(2)], 1)
        time.sleep(0.2)
        assert writer.synced == 1  # its turn has not come: this is what a power cut would cost
    assert writer.synced == 2


def test_while_nothing_can_be_forced_to_disk_nothing_more_counts_and_it_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fsync = os.fsync

    def fail(descriptor: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with writing(tmp_path) as writer:
        monkeypatch.setattr(os, "fsync", fail)
        writer.append([packet(1)], 1)
        wait_until(lambda: writer.trouble == "Input/output error")
        assert writer.synced == 0
        monkeypatch.setattr(os, "fsync", fsync)
        wait_until(lambda: writer.synced == 1 and not writer.trouble)


def test_a_segment_whose_folder_could_not_be_synced_is_closed_the_next_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    failing = [True]
    sync_folder = spool.sync_folder

    def sometimes(folder: Path) -> None:
        if failing:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        sync_folder(folder)

    monkeypatch.setattr(spool, "sync_folder", sometimes)
    with writing(tmp_path, octets=len(capture(1))) as writer:
        writer.append([packet(1)], 1)
        wait_until(lambda: writer.trouble == "Input/output error")
        failing.clear()
        wait_until(lambda: writer.synced == 1)
        assert names(tmp_path) == ["000000000001.pcap"]


def test_a_full_disk_leaves_whole_packets_and_writing_goes_on_when_there_is_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = os.write

    def half(descriptor: int, octets: bytes) -> int:
        if len(octets) <= 50:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(descriptor, octets[:-50])

    with writing(tmp_path) as writer:
        assert writer.append([packet(1)], 1)
        monkeypatch.setattr(os, "write", half)
        assert not writer.append([packet(2), packet(3)], 2)
        assert writer.full == "No space left on device"
        monkeypatch.setattr(os, "write", write)
        assert not writer.append([packet(3)], 1)  # not before it was looked whether there is room
        writer.tick()
        assert writer.full == ""
        assert writer.append([packet(4)], 1)
        assert writer.datagrams == 2
    assert (tmp_path / "000000000001.pcap").read_bytes() == capture(1, 4)


def test_a_segment_that_cannot_be_begun_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = os.write

    def full(descriptor: int, octets: bytes) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with writing(tmp_path) as writer:
        monkeypatch.setattr(os, "write", full)
        assert not writer.append([packet(1)], 1)
        assert names(tmp_path) == []
        monkeypatch.setattr(os, "write", write)
        writer.tick()
        assert writer.append([packet(2)], 1)
    assert (tmp_path / "000000000001.pcap").read_bytes() == capture(2)


def test_a_disk_that_stays_read_only_is_full_until_it_can_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It has room all the time; only trying tells."""
    write = os.write

    def read_only(descriptor: int, octets: bytes) -> int:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    with writing(tmp_path) as writer:
        monkeypatch.setattr(os, "write", read_only)
        assert not writer.append([packet(1)], 1)
        for _ in range(3):
            writer.tick()
            assert writer.full == "Read-only file system"
            assert not writer.append([packet(2)], 1)
        monkeypatch.setattr(os, "write", write)
        writer.tick()
        assert writer.full == ""
        assert writer.append([packet(3)], 1)
    assert names(tmp_path) == ["000000000001.pcap"]
    assert (tmp_path / "000000000001.pcap").read_bytes() == capture(3)


def test_what_stood_in_a_segment_that_was_removed_is_counted_and_another_begun(tmp_path: Path) -> None:
    folder = tmp_path / "spool" / "0"
    with writing(folder) as writer:
        writer.append([packet(1), packet(2)], 2)
        shutil.rmtree(folder)
        writer.tick()
        wait_until(lambda: writer.removed == 2)
        assert writer.full == "No such file or directory"
        assert not writer.append([packet(3)], 1)
        writer.tick()
        assert writer.full == ""
        assert writer.append([packet(4)], 1)
        wait_until(lambda: writer.synced == 1)
        assert (writer.datagrams, writer.removed) == (3, 2)
    assert [path.read_bytes() for _, path in segments(folder)] == [capture(4)]


def test_a_spool_that_was_moved_away_is_not_made_anew_and_loses_nothing_when_it_is_back(
    tmp_path: Path,
) -> None:
    folder, away = tmp_path / "spool" / "0", tmp_path / "away"
    with writing(folder) as writer:
        writer.append([packet(1)], 1)
        (tmp_path / "spool").rename(away)
        for _ in range(3):
            writer.tick()
            assert writer.full == "No such file or directory"
        assert not (tmp_path / "spool").exists()
        away.rename(tmp_path / "spool")
        writer.tick()
        assert writer.append([packet(2)], 1)
    assert (writer.removed, writer.synced) == (0, 2)
    assert [path.read_bytes() for _, path in segments(folder)] == [capture(1, 2)]


def test_a_reserve_stays_free_so_that_the_decoder_can_make_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spool, "free_octets", lambda folder: (128 << 20) - 1)
    with writing(tmp_path, reserve=128 << 20) as writer:
        writer.tick()
        assert writer.full == "less than 128 MiB are free"
        assert not writer.append([packet(1)], 1)
        monkeypatch.setattr(spool, "free_octets", lambda folder: 129 << 20)
        writer.tick()
        assert writer.append([packet(1)], 1)


def test_what_a_crash_left_open_is_cut_back_to_its_whole_packets_wherever_it_was_cut(tmp_path: Path) -> None:
    for cut in range(1, len(packet(3)) + 1):
        (tmp_path / "000000000004.open").write_bytes(capture(1, 2, 3)[:-cut])
        assert recover(tmp_path) == len(packet(3)) - cut
        assert names(tmp_path) == ["000000000004.pcap"]
        assert (tmp_path / "000000000004.pcap").read_bytes() == capture(1, 2)


@pytest.mark.parametrize(
    "tail",
    [
        bytes(4096),  # a file may have been made longer before its octets came to disk
        packet_record(1_700_000_000, 0, b"", b"")[:8] + b"\xff" * 8,  # longer than any packet
    ],
)
def test_octets_that_are_no_packet_end_a_segment(tmp_path: Path, tail: bytes) -> None:
    octets = capture(1, 2) + tail
    assert whole_packets(octets) == len(capture(1, 2))
    (tmp_path / "000000000004.open").write_bytes(octets)
    assert recover(tmp_path) == len(tail)
    assert (tmp_path / "000000000004.pcap").read_bytes() == capture(1, 2)


@pytest.mark.parametrize(
    "octets", [b"", PCAP_HEADER[:10], PCAP_HEADER, PCAP_HEADER + packet(1)[:40], bytes(200)]
)
def test_a_segment_without_a_whole_packet_is_removed(tmp_path: Path, octets: bytes) -> None:
    (tmp_path / "000000000004.open").write_bytes(octets)
    assert recover(tmp_path) == 0
    assert names(tmp_path) == []


def test_a_spool_has_one_collector_at_a_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spool, "LOCK_PATIENCE_S", 0.2)
    first, second = spool_lock(tmp_path / "spool"), spool_lock(tmp_path / "spool")
    with first, pytest.raises(StoreError, match="another collector uses this spool"):
        second.__enter__()
    with spool_lock(tmp_path / "spool"):
        assert names(tmp_path / "spool") == ["lock"]


def test_a_spool_keeps_its_name_and_no_other_has_it(tmp_path: Path) -> None:
    told = []
    for folder in ("one", "two", "one"):
        with spool_lock(tmp_path / folder):
            told.append(spool_name(tmp_path / folder))
    assert told[0] == told[2] != told[1]
    assert all(len(name) == 32 for name in told)
    assert owner_of(tmp_path / "one" / "3") == f"{told[0]}-3-"
    (tmp_path / "one" / "lock").write_text("../../etc")
    assert owner_of(tmp_path / "one" / "3") == owner_of(tmp_path / "none" / "3") == ""


class Clocks:
    """wall: the system's clock; passing: one that nobody sets."""

    def __init__(self) -> None:
        self.wall, self.passing = 1_700_000_040.0, 7.0  # a whole minute

    def pass_s(self, seconds: float) -> None:
        self.wall += seconds
        self.passing += seconds


@contextmanager
def timed(folder: Path, seconds: float) -> Iterator[tuple[SpoolWriter, Clocks]]:
    clocks = Clocks()
    with writing(folder, seconds=seconds, wall=lambda: clocks.wall, passing=lambda: clocks.passing) as writer:
        yield writer, clocks


def test_a_segment_ends_with_the_minute_in_which_it_began(tmp_path: Path) -> None:
    with timed(tmp_path, 60.0) as (writer, clocks):
        for number, (passed_s, closed) in enumerate([(50.0, 0), (9.0, 0), (1.5, 1), (58.0, 1), (2.0, 2)]):
            writer.append([packet(number)], 1)
            clocks.pass_s(passed_s)
            writer.tick()
            wait_until(lambda closed=closed: len(segments(tmp_path)) == closed)  # type: ignore[misc]
    assert [path.read_bytes() for _, path in segments(tmp_path)] == [capture(0, 1, 2), capture(3, 4)]


@pytest.mark.parametrize("set_s", [86_400.0, -86_400.0, 3_600.0, -31.0])
def test_a_clock_that_is_set_ends_at_most_one_segment_more_and_no_minute_is_longer(
    tmp_path: Path, set_s: float
) -> None:
    with timed(tmp_path, 60.0) as (writer, clocks):
        for second in range(180):
            writer.append([packet(second)], 1)
            clocks.pass_s(1.0)
            if second == 20:
                clocks.wall += set_s
            writer.tick()
    read = [len(path.read_bytes()) // len(packet(0)) for _, path in segments(tmp_path)]
    assert sum(read) == 180
    assert max(read) <= 60
    assert len(read) <= 5


def test_a_longer_segment_is_told_in_parts_and_closed_at_its_last_whole_minute(tmp_path: Path) -> None:
    """Begun 20 seconds before a whole minute, so that its five minutes would be over between two of them."""
    opened = tmp_path / "000000000001.open"
    with timed(tmp_path, 300.0) as (writer, clocks):
        clocks.pass_s(40.0)
        for number, passed_s in enumerate([20.0, 60.0, 60.0, 60.0]):
            writer.append([packet(number)], 1)
            clocks.pass_s(passed_s)
            writer.tick()
            wait_until(lambda count=number + 1: len(ends_of(opened)) == count)  # type: ignore[misc]
        assert ends_of(opened) == [(len(capture(*range(n))), False) for n in (1, 2, 3, 4)]
        pieces = waiting_in(tmp_path)
        assert [piece.number for piece in pieces] == [1, 2, 3, 4]
        assert list(map(octets_in, pieces)) == [capture(n) for n in range(4)]
        writer.append([packet(4)], 1)
        clocks.pass_s(60.0)
        writer.tick()
        wait_until(lambda: names(tmp_path) == ["000000000001.parts", "000000000001.pcap"])
        assert list(map(octets_in, pieces)) == [capture(n) for n in range(4)]  # by its other name
        assert [piece.number for piece in waiting_in(tmp_path)] == [1, 2, 3, 4, 5]
        assert octets_in(waiting_in(tmp_path)[-1]) == capture(4)
        writer.append([packet(5)], 1)
    assert names(tmp_path)[-1] == "000000000006.pcap"


def test_a_minute_without_packets_makes_no_part(tmp_path: Path) -> None:
    with timed(tmp_path, 300.0) as (writer, clocks):
        writer.append([packet(1)], 1)
        for _ in range(3):
            clocks.pass_s(60.0)
            writer.tick()
            wait_until(lambda: len(waiting_in(tmp_path)) == 1)
        clocks.pass_s(60.0)
        writer.tick()
    assert [octets_in(piece) for piece in waiting_in(tmp_path)] == [capture(1), PCAP_HEADER]


def test_no_part_ends_before_it_is_on_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fsync = os.fsync

    def fail(descriptor: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with timed(tmp_path, 300.0) as (writer, clocks):
        monkeypatch.setattr(os, "fsync", fail)
        writer.append([packet(1)], 1)
        clocks.pass_s(60.0)
        writer.tick()
        wait_until(lambda: writer.trouble == "Input/output error")
        assert waiting_in(tmp_path) == []
        monkeypatch.setattr(os, "fsync", fsync)
        wait_until(lambda: len(waiting_in(tmp_path)) == 1)


def test_a_crash_leaves_the_parts_as_they_were_and_numbers_go_on_after_them(tmp_path: Path) -> None:
    (tmp_path / "000000000004.open").write_bytes(capture(1, 2, 3)[:-5])
    (tmp_path / "000000000004.parts").write_text(f"{len(capture(1))}\n")
    (tmp_path / "000000000003.parts").write_text("100\n")  # its segment is in the store and gone
    (tmp_path / "000000000004.parts-aside").write_text("10")
    assert recover(tmp_path) == len(packet(3)) - 5
    assert names(tmp_path) == ["000000000004.parts", "000000000004.pcap"]
    pieces = waiting_in(tmp_path)
    assert [(piece.number, octets_in(piece)) for piece in pieces] == [(4, capture(1)), (5, capture(2))]
    with writing(tmp_path) as writer:
        writer.append([packet(9)], 1)
    assert names(tmp_path)[-1] == "000000000006.pcap"


def test_what_comes_in_great_numbers_is_told_early_and_the_minute_ends_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spool, "EARLY_OCTETS", 2 * len(packet(0)))
    opened = tmp_path / "000000000001.open"
    with timed(tmp_path, 300.0) as (writer, clocks):
        writer.append([packet(0)], 1)
        writer.tick()
        writer.append([packet(1)], 1)
        clocks.pass_s(59.0)
        writer.tick()
        wait_until(lambda: len(ends_of(opened)) == 1)
        clocks.pass_s(1.0)
        writer.tick()  # nothing came since, but now it is known that nothing will
        wait_until(lambda: len(ends_of(opened)) == 2)
        assert ends_of(opened) == [(len(capture(0, 1)), True), (len(capture(0, 1)), False)]
        assert [octets_in(piece) for piece in waiting_in(tmp_path)] == [capture(0, 1), PCAP_HEADER]
        clocks.pass_s(1.0)
        writer.tick()
        writer.append([packet(2)], 1)
        clocks.pass_s(59.0)
        writer.tick()
        wait_until(lambda: len(ends_of(opened)) == 3)
        assert ends_of(opened)[-1] == (len(capture(0, 1, 2)), False)


def octets_in(piece: Piece) -> bytes:
    """A piece as a capture."""
    with opened_piece(piece) as octets:
        return b"".join(iter(lambda: octets.read(64), b""))
