"""Levels that one transfer or a few hold, however short: found, told, and not seen where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.findings import not_the_link
from flowdiag.diagnoser.signals.flat_runs import flat_runs
from flowdiag.diagnoser.signals.held_levels import HeldLevel, held_levels
from tests.diagnoser.building import UDP, Book, ms, profile

SITE = profile(backup=False)
MBPS_SECOND = 125_000  # octets that one Mbit/s carries in a second


def transfer(
    book: Book,
    begin: int,
    end: int,
    mbps: float,
    *,
    record: int = 10,
    number: int = 0,
    way: int = DOWN,
    packet: float = 1400,
    **more: object,
) -> None:
    """One conversation at a constant rate, in records of so many seconds."""
    for start in range(begin, end, record):
        stop = min(start + record, end)
        octets = mbps * MBPS_SECOND * (stop - start)
        book.row(
            start, stop, way=way, octets=octets, packets=octets / packet, inside=f"192.168.40.{20 + number}",
            outside=f"203.0.113.{100 + number}", **more,  # type: ignore[arg-type]
        )  # fmt: skip


def quiet(minutes: int = 30) -> Book:
    """Browsing at 0.08 Mbit/s in all."""
    book = Book()
    book.browse(0, 60 * minutes)
    return book


def found(book: Book, resolution_s: int = 10) -> tuple[HeldLevel, ...]:
    return held_levels(book.case(SITE, resolution_s=resolution_s))


def test_one_transfer_at_sixty_percent_of_the_plan_for_twenty_seconds_is_a_level() -> None:
    book = quiet()
    transfer(book, 600, 620, 60)
    (level,) = found(book)
    assert (level.link, level.direction, level.transfers, level.hosts, level.destinations) == (
        0,
        DOWN,
        1,
        1,
        1,
    )
    assert (level.start_ms, level.end_ms) == (ms(600), ms(620))
    assert level.rate_mbps == pytest.approx(60.08, abs=0.1)  # the browsing adds 0.08
    assert level.share == pytest.approx(0.60, abs=0.002)
    assert level.flatness < 0.01
    assert not level.gives_way


def test_one_record_of_a_minute_is_a_level_that_nobody_can_look_into() -> None:
    book = quiet()
    transfer(book, 600, 640, 60, record=60)
    (level,) = found(book, resolution_s=60)
    assert (level.start_ms, level.end_ms) == (ms(600), ms(640))


def test_ten_seconds_and_a_tenth_of_the_plan_are_no_level() -> None:
    book = quiet()
    transfer(book, 600, 610, 60)
    transfer(book, 900, 1000, 10)
    assert found(book) == ()


def test_a_full_line_is_no_level_under_the_plan() -> None:
    book = quiet()
    transfer(book, 600, 640, 95)
    assert found(book) == ()


def test_an_all_clear_beside_such_a_level_is_not_sure_and_asks_to_test_the_rate() -> None:
    book = quiet()
    assert not_the_link.verdict(book.case(SITE, resolution_s=10)).confidence == "high"
    transfer(book, 600, 660, 60)
    said = not_the_link.verdict(book.case(SITE, resolution_s=10))
    assert said.confidence == "medium"
    assert any(
        "stood at 60.1 Mbit/s, 60% of the plan, for 60 seconds" in reason
        and "the far end or the device may have set that rate" in reason
        for reason in said.reasons
    )
    assert said.next_steps[0].text.startswith("Test the line's rate")


def test_two_that_give_way_to_each_other_share_something_that_gave_no_more() -> None:
    """40 and 20 Mbit/s, then the other way round, every ten seconds: each varies, the sum stands at 60."""
    book = quiet()
    for turn in range(12):
        for number in (0, 1):
            begin = 600 + 10 * turn
            transfer(book, begin, begin + 10, 40 if (turn + number) % 2 else 20, number=number)
    (level,) = found(book)
    assert level.gives_way
    assert level.is_the_lines
    said = not_the_link.verdict(book.case(SITE, resolution_s=10))
    assert said.confidence == "low"
    assert any("2 transfers gave way to each other" in reason for reason in said.reasons)


def test_two_at_rates_of_their_own_do_not_give_way() -> None:
    book = quiet()
    for number in (0, 1):
        transfer(book, 600, 720, 20 + 10 * number, number=number)
    (level,) = found(book)
    assert level.transfers == 2
    assert not level.gives_way


def test_higher_traffic_within_a_quarter_of_an_hour_says_that_the_line_gives_more() -> None:
    for after, levels in ((300, 0), (1500, 1)):
        book = quiet(60)
        transfer(book, 600, 660, 40)
        transfer(book, 660 + after, 700 + after, 95, number=1)
        assert len(found(book)) == levels


def test_what_others_add_on_top_says_so_too() -> None:
    """Half a minute of 15 Mbit/s more: who has 40 was not held by the line."""
    book = quiet()
    transfer(book, 600, 780, 40)
    transfer(book, 660, 690, 15, number=1)
    assert [level for level in found(book) if level.share < 0.5] == []


def test_a_download_that_pauses_every_ten_seconds_is_no_level_where_records_show_it() -> None:
    book = quiet()
    for begin in range(600, 800, 20):
        transfer(book, begin, begin + 10, 60)
    assert found(book) == ()


def test_acknowledgements_and_small_streams_are_no_transfers() -> None:
    book = quiet()
    transfer(book, 600, 720, 10, way=UP, packet=52)
    for number in range(8):  # 40% of the upload of 20 Mbit/s, a twentieth each
        transfer(book, 600, 720, 1, way=UP, number=number, protocol=UDP, port=6970)
    assert found(book) == ()


def test_a_large_transfer_over_udp_is_one() -> None:
    book = quiet()
    transfer(book, 600, 640, 60, protocol=UDP, packet=1280)
    assert len(found(book)) == 1


def test_levels_outside_the_window_do_not_count() -> None:
    book = quiet()
    transfer(book, 600, 660, 60)
    assert held_levels(book.case(SITE, resolution_s=10, window=(900, 1500))) == ()
    assert len(held_levels(book.case(SITE, resolution_s=10, window=(630, 1500)))) == 1


@pytest.mark.parametrize("seed", range(6))
def test_pages_of_many_hosts_are_never_a_level(seed: int) -> None:
    """Two pages a second of 1 MB on average for half an hour, each at 5 to 30 Mbit/s: 16 Mbit/s in the mean."""
    rng = np.random.default_rng(seed)
    book = quiet()
    for begin in np.sort(rng.uniform(0, 1750, 3500)):
        megabytes, mbps = rng.exponential(1.0), rng.uniform(5, 30)
        book.row(
            begin, begin + megabytes * 8 / mbps, way=DOWN, octets=megabytes * 1e6, packets=megabytes * 714,
            inside=f"192.168.40.{20 + rng.integers(20)}", inside_port=int(rng.integers(49152, 65535)),
        )  # fmt: skip
    assert found(book) == ()


def test_flat_runs_are_the_longest_that_keep_within_the_span() -> None:
    """10 to 11 is within a tenth; 12 is not of 10, but of 11: the longer run takes the 11."""
    rate = np.array([10.0, 10.5, 11.0, 12.0, 12.0, 11.5, 30.0, 30.0])
    assert flat_runs(rate, 0.10, 2) == [(0, 2), (2, 6), (6, 8)]
    assert flat_runs(rate, 0.10, 3) == [(2, 6)]
    assert flat_runs(rate[:1], 0.10, 2) == []
