"""The active timeout as seen in durations. Timeouts are common practice; the durations are made up."""

from __future__ import annotations

import numpy as np
import pytest

from flowdiag.aggregator.resolution import (
    _best,
    _is_pile,
    cut_durations,
    cut_durations_ms,
    estimate_resolution,
)
from flowdiag.aggregator.site_flows import DOWN
from tests.diagnoser.building import Book


def durations(timeout_s: int, long_flows: int, rng: np.random.Generator, late_s: float = 1.0) -> list[int]:
    """Many short flows (exponential, 4 s on average) and pieces of long ones."""
    short = np.minimum(rng.exponential(4, 3000), timeout_s) * 1000
    pieces = timeout_s * 1000 + rng.uniform(0, late_s * 1000, long_flows)
    return [*short.astype(int).tolist(), *pieces.astype(int).tolist()]


@pytest.mark.parametrize("timeout_s", [10, 30, 60, 120, 300, 1800])
def test_the_pile_of_long_flows_tells_the_timeout(timeout_s: int) -> None:
    some = durations(timeout_s, 300, np.random.default_rng(timeout_s))
    assert estimate_resolution(some, None) == (timeout_s, True)


@pytest.mark.parametrize("timeout_s", [60, 120, 300, 1800])
def test_eight_pieces_suffice_where_short_flows_are_rare(timeout_s: int) -> None:
    some = durations(timeout_s, 8, np.random.default_rng(timeout_s))
    assert estimate_resolution(some, None) == (timeout_s, True)


def test_exporters_that_look_every_five_seconds_are_read_right() -> None:
    some = durations(60, 200, np.random.default_rng(7), late_s=4.0)
    assert estimate_resolution(some, None) == (60, True)


def test_an_unusual_timeout_is_found_too() -> None:
    assert estimate_resolution(durations(45, 50, np.random.default_rng(1), 0.2), None) == (45, True)


def test_a_few_longer_flows_do_not_hide_it() -> None:
    some = durations(60, 200, np.random.default_rng(2))
    assert estimate_resolution([*some, 95_000, 200_000, 3_000_000], None) == (60, True)


def test_without_long_flows_it_is_not_known() -> None:
    some = durations(60, 0, np.random.default_rng(3))
    assert estimate_resolution(some, None) == (60, False)
    assert estimate_resolution([], None) == (60, False)
    assert estimate_resolution([1000, 45_000, 250_000], None) == (300, False)


@pytest.mark.parametrize("longest_s", [15, 16, 26])
def test_a_few_short_flows_of_one_length_are_chance(longest_s: int) -> None:
    some = durations(8, 0, np.random.default_rng(8))
    assert estimate_resolution([*some, *[longest_s * 1000] * 10], None) == (60, False)


def test_what_the_exporter_announces_counts_unless_flows_contradict_it() -> None:
    some = durations(60, 0, np.random.default_rng(4))
    assert estimate_resolution(some, 120) == (120, True)
    contradicting = durations(300, 400, np.random.default_rng(5))
    assert estimate_resolution(contradicting, 60) == (300, True)


def test_numpy_arrays_and_other_collections_give_the_same() -> None:
    some = durations(60, 40, np.random.default_rng(6))
    assert estimate_resolution(np.array(some), None) == estimate_resolution(
        dict(enumerate(some)).values(), None
    )


def test_in_a_short_export_the_records_that_cut_long_flows_tell_it() -> None:
    # Four pieces of 9 s make no pile; their middle one is the resolution.
    assert estimate_resolution([9_000] * 4 + [500] * 20, None, lambda: np.array([9_000, 8_600, 9_000])) == (
        9,
        True,
    )
    assert estimate_resolution([9_000] * 4, None, lambda: np.array([9_000, 9_000])) == (60, False)


def test_a_record_that_the_next_one_follows_at_once_was_cut() -> None:
    book = Book()
    for start in (0, 9, 18):  # one conversation in three records, then a pause of five seconds
        book.row(start, start + 9, way=DOWN, octets=9_000_000)
    book.row(32, 36, way=DOWN, octets=1_000)
    book.row(0, 4, way=DOWN, octets=1_000, inside_port=50_001)  # another one, whole
    assert sorted(cut_durations_ms(book.case().flows).tolist()) == [9_000, 9_000]


@pytest.mark.parametrize(
    ("pieces", "timeout_s", "known"),
    [(3, 60, True), (2, 60, False), (12, 20, True), (11, 20, False), (12, 70, True), (11, 70, False)],
)
def test_a_pile_is_three_pieces_of_a_usual_timeout_and_twelve_of_another(
    pieces: int, timeout_s: int, known: bool
) -> None:
    found, sure = estimate_resolution([timeout_s * 1000] * pieces, None)
    assert sure == known
    assert not known or found == timeout_s


def test_of_very_many_flows_those_in_the_middle_are_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    """Five pieces of 3 to 7 s in a row; of the three in the middle two are followed by the next."""
    book = Book()
    start = 0
    for lasts in (3, 4, 5, 6, 7):
        book.row(start, start + lasts, way=DOWN, octets=1_000)
        start += lasts
    flows = book.case().flows
    assert cut_durations_ms(flows).tolist() == [3_000, 4_000, 5_000, 6_000]
    monkeypatch.setattr("flowdiag.aggregator.resolution.MOST_LOOKED_AT", 3)
    assert cut_durations_ms(flows).tolist() == [4_000, 5_000]


@pytest.mark.parametrize(
    ("timeout_s", "low", "high"),
    [
        (10, 9.3, 11.8),  # 2 % and 5 % early; 3 %, a second and 5 % late
        (20, 18.6, 22.6),
        (30, 27.9, 33.4),  # 5 % are a second and a half, no more
        (60, 57.3, 65.8),
        (80, 76.9, 87.4),  # 5 % and a second are five seconds, no more
        (300, 292.5, 314.0),
    ],
)
def test_pieces_lie_a_little_before_their_timeout_and_as_late_as_exporters_look(
    timeout_s: int, low: float, high: float
) -> None:
    def pile(seconds: float, timeout: int = timeout_s) -> bool:
        return _is_pile(np.full(12, seconds), timeout)

    assert [pile(seconds) for seconds in (low - 0.001, low + 0.001, high - 0.001, high + 0.001)] == [
        False, True, True, False
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("under", "pile", "longer", "told"),
    [
        (0, 12, 3, True),
        (0, 12, 4, False),  # a quarter may be longer
        (6, 12, 0, True),
        (7, 12, 0, False),  # half as many may lie just under it
        (0, 3, 0, True),
        (0, 2, 0, False),
    ],
)
def test_a_pile_has_few_above_and_below_it(under: int, pile: int, longer: int, told: bool) -> None:
    some = np.array(
        [50.0] * under + [60.0] * pile + [100.0] * longer
    )  # as wide below 57.3 as the pile is: to 48.8
    assert _is_pile(some, 60) == told
    assert _is_pile(np.array([48.7] * 99 + [60.0] * 12), 60)


@pytest.mark.parametrize(
    ("piles", "best"),
    [
        ([60], 60),
        ([60, 62, 65], 60),  # one pile, seen at three places
        ([300, 301, 310], 300),
        ([60, 300], 300),
        ([45, 46], 45),  # no usual one: where it begins
        ([59, 60, 64], 60),
        ([58, 61], 58),
    ],
)
def test_the_longest_pile_counts_by_its_usual_name(piles: list[int], best: int) -> None:
    assert _best(piles) == best


@pytest.mark.parametrize(("longer", "announced"), [(3, True), (4, False)])
def test_three_flows_may_be_longer_than_what_was_announced(longer: int, announced: bool) -> None:
    some = [5_000] * 50 + [80_000] * longer
    assert (estimate_resolution(some, 60) == (60, True)) == announced


@pytest.mark.parametrize(("longer", "announced"), [(20, True), (21, False)])
def test_two_hundredths_may_be_longer_than_what_was_announced(longer: int, announced: bool) -> None:
    some = [5_000] * (1000 - longer) + [80_000 + 1_000 * n for n in range(longer)]
    assert (estimate_resolution(some, 60) == (60, True)) == announced
    # Shorter than five seconds tells nothing of it.
    assert estimate_resolution([4_999] * 100_000 + some, 60) == estimate_resolution(some, 60)


def test_a_timeout_of_nothing_is_not_believed() -> None:
    assert estimate_resolution([], 0) == (60, False)
    assert estimate_resolution([], 1) == (1, True)


@pytest.mark.parametrize(
    ("longest_s", "assumed"), [(60, 60), (61, 90), (300, 300), (301, 600), (3600, 3600), (4000, 4000)]
)
def test_unknown_is_the_least_usual_timeout_that_no_flow_exceeds(longest_s: int, assumed: int) -> None:
    assert estimate_resolution([longest_s * 1000], None) == (assumed, False)


def cut(*records: tuple[int, int, int]) -> list[int]:
    """Durations of cut records, of key, start and end."""
    keys, start, end = (np.array(values, np.int64) for values in zip(*records, strict=True))
    return sorted(cut_durations(keys.astype(np.uint64), start, end).tolist())


def test_a_record_was_cut_where_the_next_one_of_its_conversation_begins_within_a_second() -> None:
    assert cut((1, 0, 9_000), (1, 10_000, 19_000)) == [9_000]
    assert cut((1, 0, 9_000), (1, 10_001, 19_000)) == []
    assert cut((1, 0, 9_000), (1, 8_000, 19_000)) == [9_000]
    assert cut((1, 0, 9_000), (1, 7_999, 19_000)) == []
    assert cut((1, 0, 9_000), (2, 9_000, 19_000)) == []
    assert cut((1, 0, 0), (1, 500, 9_000)) == []  # a moment lasts no time
    # In whatever order they come, and whatever lies between them.
    assert cut((1, 18_000, 20_000), (2, 0, 1), (1, 0, 9_000), (2, 90_000, 90_001), (1, 9_000, 18_000)) == [
        9_000,
        9_000,
    ]


def test_records_that_all_name_the_start_grow_by_a_piece() -> None:
    assert cut((1, 0, 9_000), (1, 0, 18_500), (1, 0, 20_000)) == [1_500, 9_500]
    assert cut((1, 0, 9_000), (1, 0, 10_000)) == []  # a second or less is no piece
    assert cut((1, 0, 9_000), (1, 0, 10_001)) == [1_001]


def test_the_middle_of_the_cut_ones_is_rounded_up_to_seconds() -> None:
    for middle, told in ((9_000, 9), (9_001, 10), (1, 1), (0, 1)):
        found = estimate_resolution([], None, lambda middle=middle: np.array([0, middle, 99_000]))  # type: ignore[misc]
        assert found == (told, True)


def records(*some: tuple[int, float, int]) -> tuple[np.ndarray, np.ndarray]:
    """(how many, seconds, packets) of records alike: their durations in ms, and packets."""
    durations = np.concatenate([np.full(count, round(seconds * 1000)) for count, seconds, _ in some])
    return durations, np.concatenate([np.full(count, float(packets)) for count, _, packets in some])


@pytest.mark.parametrize(
    ("keepalives", "transfers", "timeout_s"),
    [
        ((240, 49, 8), (4, 60.2, 9000), 60),  # a packet each seven seconds: the next one would come after 56
        ((240, 50, 6), (4, 60.2, 9000), 60),
        ((240, 30, 2), (20, 20.1, 9000), 20),  # cut when its next packet came, ten seconds late
        ((900, 14, 3), (20, 15.1, 9000), 15),
    ],
)
def test_transfers_tell_the_timeout_and_not_keepalives(
    keepalives: tuple[int, float, int], transfers: tuple[int, float, int], timeout_s: int
) -> None:
    durations_ms, packets = records(keepalives, transfers, (500, 2, 12))
    assert estimate_resolution(durations_ms, None, None, packets) == (timeout_s, True)


def test_keepalives_alone_tell_the_usual_timeout_between_two_of_their_packets() -> None:
    def read(seconds: float, packets: int, count: int = 240) -> tuple[int, bool]:
        durations_ms, of_each = records((count, seconds, packets))
        return estimate_resolution(durations_ms, None, None, of_each)

    assert read(54, 10) == (60, True)  # each six seconds: cut between 54 and 60
    assert read(50, 6) == (60, True)
    assert read(100, 6) == (120, True)
    assert read(90, 4)[1] is False  # 90 or 120
    assert read(54, 10, count=11) == (60, False)  # eleven may be chance
    assert read(30, 2) == (60, False)  # anything up to a minute
    assert read(66, 5)[1] is False  # none that is usual between 66 and 82.5
    assert read(75, 4) == (90, True)
    assert read(50, 4, count=11)[1] is False


def test_records_of_many_lengths_tell_no_timeout() -> None:
    """Connections of few packets, open for ten to sixty seconds, are none that a timeout cut."""
    seconds = np.random.default_rng(9).uniform(10, 60, 600)
    found = estimate_resolution((seconds * 1000).astype(np.int64), None, None, np.full(600, 5.0))
    assert found == (60, False)
