"""Sequences at the bounds that the streams of test_tracker.py do not reach: starts, allowances, what is forgotten."""

from __future__ import annotations

import numpy as np
import pytest

from flowdiag.collector.decode import sequence as module
from flowdiag.collector.decode.allowance import Allowance
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.sequence import Messages, Sequences
from tests.collector.decode.test_tracker import WRAP, Message, Stream


def test_bounds_are_those_of_their_reasons() -> None:
    assert (module.NEAR, module.RUN, module.BOOT_SLACK_MS) == (65_536, 3, 5_000)
    assert (module.HOPELESS_BREAKS, module.HOPELESS_RATIO, module.LEAST_RECORD_OCTETS) == (1000, 20, 4)


@pytest.mark.parametrize("late", [(WRAP - 2, 1), (WRAP - 3, 2), (WRAP - 1, 1)])
def test_after_a_restart_nothing_begins_the_stream_earlier(late: Message) -> None:
    """What comes from before the new zero is of the old count, although it was exported no later than the first message."""
    stream = Stream(at_zero=True).add((100, 5), (0, 1)).add(late, seconds=(0,))
    assert (stream.gaps, stream.restarts, stream.kept.taken) == ([], 1, 0)


def test_a_restart_leaves_no_slack_behind() -> None:
    """What could not be counted before explains no gap after."""
    stream = Stream(at_zero=True).add((100, 5), slack=9).add((0, 1)).add((3, 1))
    assert stream.gaps == [(1, 2)]
    assert dict(stream.tracker.undecoded).get(0, 0) == 0


def test_a_restart_ends_the_run_of_a_stray_before_it() -> None:
    far = 1 << 20
    stream = Stream(at_zero=True).add((100, 5), (far, 1), (0, 1), (far + 1, 1), (far + 2, 1))
    assert (stream.gaps, stream.restarts) == ([], 1)
    assert stream.add((far + 3, 1)).gaps == [(1, far)]


def test_what_is_behind_by_half_of_all_numbers_may_be_late_and_what_is_ahead_by_less_may_not() -> None:
    half = 1 << 31
    late = (
        Stream(at_zero=True).add((half, 0)).add((0, 1))
    )  # half behind, and half ahead: it begins anew at zero
    assert (late.restarts, late.tracker.expected) == (1, 1)
    ahead = Stream(at_zero=True).add((half + 1, 0)).add((0, 1))  # 2^31 - 1 ahead, over the wrap
    assert (ahead.restarts, ahead.tracker.expected) == (0, half + 1)


def test_a_stray_does_not_count_in_a_run_that_begins_later() -> None:
    far, farther = 1 << 20, 1 << 22
    stream = Stream().add((0, 10), (far, 1), (far + 1, 1), (farther, 1), (farther + 1, 1))
    assert stream.gaps == []
    assert stream.add((farther + 2, 1)).gaps == [(10, farther - 10)]


def test_a_run_ends_with_a_small_gap() -> None:
    far = 1 << 20
    stream = Stream().add((0, 10), (far, 1), (far + 1, 1), (12, 1), (far + 2, 1))
    assert stream.gaps == [(10, 2)]


def test_a_restart_found_by_a_run_is_told_at_its_first_message() -> None:
    stream = Stream().add((5000, 10), (3, 1), (4, 1), (5, 1))
    (restart,) = stream.tracker.restarts
    assert (restart.since_ms, restart.time_ms) == (0, 1000)
    assert stream.tracker.expected == 6


def test_the_message_before_is_no_later_than_the_message_that_shows_the_gap() -> None:
    stream = Stream().add((0, 10), (15, 1), seconds=(9, 4))
    (gap,) = stream.tracker.gaps
    assert (gap.since_ms, gap.time_ms) == (4000, 4000)
    first = Stream().add((0, 10), seconds=(7,)).add((15, 1), seconds=(9,))
    assert [(gap.since_ms, gap.time_ms) for gap in first.tracker.gaps] == [(7000, 9000)]


@pytest.mark.parametrize(("gaps", "settled"), [(3, 0), (2, 1)])
def test_gaps_wait_up_to_the_allowance(gaps: int, settled: int) -> None:
    stream = Stream(gaps=gaps).add((0, 1), (2, 1), (4, 1), (6, 1))
    assert (len(stream.tracker.settled), len(stream.tracker.open)) == (settled, 3 - settled)


def sequences(version: int = 10) -> tuple[Sequences, Allowance]:
    kept = Allowance(1000)
    return Sequences(version, Limits(), kept), kept


def messages(*told: tuple[int, int, int], options: int = 0, unknown: int = 0) -> Messages:
    """(domain, sequence number, records) each second."""
    count = len(told)
    domains, numbers, records = (np.array(column, np.int64) for column in zip(*told, strict=True))
    return Messages(
        domains, numbers.astype(np.uint32), records, np.full(count, options), np.full(count, unknown),
        1000 * np.arange(count), np.zeros(count, np.int64),
    )  # fmt: skip


def test_a_forgotten_domain_gives_back_its_gaps_and_the_session_those_of_all() -> None:
    """Two domains that count records for themselves, each with a gap; read as one count there are gaps as well."""
    followed, kept = sequences()
    followed.add(messages((1, 0, 1), (2, 0, 1), (1, 3, 1), (2, 5, 1)))
    held = {
        number: sum(len(t[number].gaps) for t in followed._trackers if number in t) for number in (1, 2, -1)
    }
    assert kept.taken == sum(held.values())
    assert all(held.values())
    followed.forget_domain(1, whole=False)
    assert kept.taken == held[2] + held[-1]
    followed.forget_domain(9, whole=False)  # nobody knows it
    assert kept.taken == held[2] + held[-1]
    followed.forget_domain(2, whole=True)
    assert kept.taken == 0
    assert all(not trackers for trackers in followed._trackers)


def test_forgetting_reaches_every_tracker_of_every_reading() -> None:
    followed, kept = sequences()
    followed.add(messages((1, 0, 1), (2, 0, 1), (1, 3, 1), (2, 5, 1)))
    followed.forget(1 << 62)
    assert kept.taken == 0
    assert all(tracker.gaps == [] for trackers in followed._trackers for tracker in trackers.values())


@pytest.mark.parametrize(("unknown", "missing"), [(7, 1), (8, 0), (3, 2)])
def test_a_record_of_unknown_width_has_four_octets_at_least(unknown: int, missing: int) -> None:
    followed, _ = sequences()
    followed.add(messages((1, 0, 1), (1, 3, 1), unknown=unknown))
    trackers = followed._trackers[0]
    assert sum(gap.units for gap in trackers[1].gaps) == missing
    assert trackers[1].undecoded.get(1, 0) == 2 - missing


def test_the_standard_reading_is_believed_where_several_fit() -> None:
    followed, _ = sequences()
    followed.add(messages((1, 0, 1), (1, 1, 1)))
    reading, trackers = followed.believed()
    assert reading.text == "data records of the domain"
    assert len(trackers) == 1
