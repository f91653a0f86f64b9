"""The system's clock may be set while the collector runs: ages, days, order and counts stay right. Clocks are injected."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from flowdiag.addresses import to_bytes
from flowdiag.collector.frames import packet_record, udp_front
from flowdiag.collector.knowledge import Seed
from flowdiag.collector.live.clocks import DAY_S, SET_FORWARD_S, Today, Waits
from flowdiag.collector.live.counters import Decoded
from flowdiag.collector.live.decoders import Decoders
from flowdiag.collector.live.spool import Segment, SpoolWriter, segments
from flowdiag.collector.live.storing import Storing
from flowdiag.collector.live.upkeep import Upkeep
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.kept_rollups import find_kept_rollups
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.upkeep import compact
from tests.collector.decode.wire import EXPORT_S, FLOW_FIELDS, a_set, flow, ipfix, template, with_template
from tests.collector.live.lost_store import store_with_leftover
from tests.collector.live.test_seed_files import Told, message, restarted
from tests.collector.live.test_seed_files import flows as flows_of
from tests.collector.store.building import (
    DAY,
    START,
    add_stretch,
    batch,
    content,
    files_in,
    octets_in,
    report,
)
from tests.collector.store.building import flow as stored_flow
from tests.collector.store.rollers import Sums, damage, with_rollups

YEAR_S = 365 * DAY_S
STEPS = [YEAR_S, -YEAR_S, 3_600.0, -3_600.0]
NOW = START / 1000 + 5 * DAY_S


class Clocks:
    """The system's clock, which is set now and then, and one that passes."""

    def __init__(self, wall: float = NOW) -> None:
        self.wall = wall
        self.passing = 5.0

    def pass_s(self, seconds: float) -> None:
        self.wall += seconds
        self.passing += seconds

    def now(self) -> float:
        return self.wall

    def since(self) -> float:
        return self.passing


@pytest.fixture
def clocks() -> Clocks:
    return Clocks()


def segment(folder: Path, number: int, octets: bytes = b"1234", at: float = NOW) -> Segment:
    path = folder / f"{number:012d}.pcap"
    path.write_bytes(octets)
    os.utime(path, (at, at))
    return Segment(number, path)


@pytest.mark.parametrize("step_s", STEPS)
def test_what_waits_gets_older_as_time_passes_and_not_as_the_clock_is_set(
    tmp_path: Path, clocks: Clocks, step_s: float
) -> None:
    waits = Waits(clocks.now, clocks.since)
    assert waits.look([]) == (0, 0, 0.0)
    first = segment(tmp_path, 1, at=clocks.wall)
    assert waits.look([first]) == (1, 4, 0.0)
    clocks.pass_s(30)
    clocks.wall += step_s
    second = segment(tmp_path, 2, at=clocks.wall)
    assert waits.look([first, second]) == (2, 8, 30.0)
    clocks.pass_s(10)
    first.path.unlink()
    assert waits.look([second]) == (1, 4, 10.0)
    assert waits.look([first, second]) == (1, 4, 10.0)  # removed since it was listed


@pytest.mark.parametrize(("written_s", "age_s"), [(-600.0, 600.0), (YEAR_S, 0.0)])
def test_what_was_there_at_the_start_is_as_old_as_its_file(
    tmp_path: Path, clocks: Clocks, written_s: float, age_s: float
) -> None:
    waits = Waits(clocks.now, clocks.since)
    left = segment(tmp_path, 1, at=clocks.wall + written_s)
    assert waits.look([left]) == (1, 4, age_s)
    clocks.pass_s(7)
    clocks.wall -= YEAR_S
    assert waits.look([left]) == (1, 4, age_s + 7)


def test_a_clock_that_was_set_forward_is_doubted_until_it_is_set_back(clocks: Clocks) -> None:
    today = Today(clocks.now, clocks.since)
    clocks.pass_s(40 * DAY_S)  # the collector has been running for long
    assert (today.day, today.doubt) == (int(clocks.wall // DAY_S), "")
    clocks.wall += SET_FORWARD_S
    assert today.doubt == ""
    clocks.wall += DAY_S
    assert "was set 1.5 days forward" in today.doubt
    clocks.wall -= YEAR_S
    assert today.doubt == ""
    assert Today(clocks.now, clocks.since).doubt == ""


@pytest.mark.parametrize(("step_s", "kept"), [(YEAR_S, 6), (-YEAR_S, 6), (0.0, 3)])
def test_old_days_do_not_go_by_a_clock_that_was_set(
    tmp_path: Path, clocks: Clocks, step_s: float, kept: int
) -> None:
    """Six days of flows of which three are to be kept; the last are of today by the clock, wherever that stands."""
    store = tmp_path / "flows"
    backend = open_backend(store)
    make_store(backend)
    upkeep, counters = Upkeep(backend, 3, Today(clocks.now, clocks.since)), Decoded()
    clocks.wall += step_s
    ends = [*(START + day * DAY for day in range(5)), round(clocks.wall * 1000)]
    for number, end_ms in enumerate(ends):
        flows = batch(stored_flow(number + 1, end_ms))
        assert add_stretch(
            backend, content(str(number)), [flows], report(1, day=end_ms // DAY), began_ms=end_ms
        )
    upkeep.run(counters)
    assert (len(octets_in(store)), counters.dropped_days) == (kept, 6 - kept)
    assert counters.upkeep[:46] == ("the system's clock was set 365.0 days forward " if step_s > 0 else "")
    clocks.wall -= step_s
    upkeep.run(counters)
    # Right again: of the days that are counted back from today, those of the wrong clock are not.
    assert (sorted(octets_in(store)), counters.upkeep) == (
        {YEAR_S: [4, 5, 6], 0.0: [4, 5, 6]}.get(step_s, [3, 4, 5]),
        "",
    )


def spooled(folder: Path, payloads: list[list[bytes]], times_s: list[float]) -> None:
    """A segment for each list of messages, as the receiver writes them while the clock is set."""
    writer = SpoolWriter(folder, sync_s=0.01, seconds=3_600.0, octets=1)
    source, target = to_bytes("192.0.2.1"), to_bytes("192.0.2.200")
    for messages, at in zip(payloads, times_s, strict=True):
        packets = [
            packet_record(int(at), 0, udp_front(source, 50_000, target, 4739, len(octets)), octets)
            for octets in messages
        ]
        assert writer.append(packets, len(messages))
    writer.finish()


@pytest.mark.parametrize("step_s", STEPS)
def test_segments_keep_their_order_and_lose_nothing_whatever_the_clock_does(
    tmp_path: Path, step_s: float
) -> None:
    """Ten minutes; the clock is set in the middle of the fifth, and back in the eighth; a message of 24 is lost."""
    messages = [ipfix(with_template(), a_set(256, flow(1)), export_s=EXPORT_S)]
    messages += [
        ipfix(
            a_set(256, *map(flow, range(2 + 3 * n, 5 + 3 * n))),
            sequence=1 + 3 * n,
            export_s=EXPORT_S + 20 * n,
        )
        for n in range(30)
        if n != 24
    ]
    minutes = [messages[3 * n : 3 * n + 3] for n in range(10)]
    times = [EXPORT_S + 60 * n + (step_s if 4 <= n < 8 else 0) for n in range(10)]
    spool, store = tmp_path / "spool" / "0", tmp_path / "flows"
    spooled(spool, minutes, times)
    waiting = segments(spool)
    assert [number for number, _ in waiting] == list(range(1, 11))
    backend = open_backend(store)
    make_store(backend)
    storing = Storing(backend, spool, Seed(), Dissector())
    stored = [storing.store([each], last=each == waiting[-1])[1] for each in waiting]
    assert [each.added for each in stored] == [True] * 10
    assert (sum(each.records for each in stored), sum(each.lost_records for each in stored)) == (88, 3)
    assert sum(each.undecoded for each in stored) == 0
    assert segments(spool) == []
    expected = [100 * n for n in range(1, 92) if not 74 <= n < 77]
    assert sorted(octets_in(store)) == expected
    compact(backend)
    assert sorted(octets_in(store)) == expected


@pytest.mark.parametrize("step_s", [round(YEAR_S), -round(YEAR_S), 0])
def test_the_latest_definition_counts_after_a_restart_whatever_the_clock_told(
    tmp_path: Path, step_s: int
) -> None:
    """A template is defined anew after the clock was set; whoever starts then reads by the new one."""
    before = Decoders()
    narrow = a_set(256, *(flow(n)[:21] for n in range(1, 38)))  # which fits the wide template too
    redefined = message(a_set(2, template(256, FLOW_FIELDS[:7])), sequence=3, after_s=60)
    data = message(narrow, sequence=3, after_s=70)
    set_back = [each._replace(time_ms=(each.time_ms or 0) + 1000 * step_s) for each in (redefined, data)]
    assert Told(before, [message(with_template(), flows_of(3)), *set_back]).records == {1: 40}
    decoded = Told(restarted(tmp_path, before), [message(narrow, sequence=40, after_s=90)])
    assert (decoded.records, decoded.reports[1].lost_records) == ({1: 37}, 0)


def test_a_sweep_that_cannot_be_made_at_the_start_is_made_with_the_rest(
    tmp_path: Path, clocks: Clocks
) -> None:
    store, counters = tmp_path / "flows", Decoded()
    upkeep = Upkeep(open_backend(store), None, Today(clocks.now, clocks.since))
    upkeep.start(counters)
    assert "there is no flow store" in counters.upkeep
    left = store_with_leftover(store)
    upkeep.run(counters)
    assert (counters.upkeep, counters.swept, left.exists()) == ("", 1, False)


def test_roll_ups_of_old_days_stay_for_their_time_and_damaged_ones_are_made_anew(
    tmp_path: Path, clocks: Clocks
) -> None:
    store, counters = tmp_path / "flows", Decoded()
    backend = open_backend(store)
    make_store(backend)
    today = round(clocks.wall * 1000) // DAY
    for number in range(4):
        flows = batch(stored_flow(number + 1, (today - 3 + number) * DAY + 60_000))
        heard = report(1, day=today - 3 + number)
        assert add_stretch(backend, content(str(number)), [flows], heard, number, Sums())
    damage(store, files_in(store)[-1])
    damage(store, files_in(store)[0])
    upkeep = Upkeep(backend, 2, Today(clocks.now, clocks.since), rollup_days=3, roller=Sums())
    upkeep.run(counters)
    assert (counters.rollups_rebuilt, counters.rollups_failed, counters.dropped_days) == (2, 0, 2)
    assert counters.upkeep == ""
    assert list(with_rollups(store).values()) == [True, True]
    (kept,) = find_kept_rollups(backend)
    assert (kept.partition.day, len(kept.rollups)) == (today - 2, 1)
