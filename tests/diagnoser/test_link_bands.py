"""The band under a chart says "carrying" where a link carries ordinary traffic."""

from __future__ import annotations

import pytest

from flowdiag.diagnoser.signals.failovers import failovers
from flowdiag.diagnoser.signals.leaks import leaking
from flowdiag.diagnoser.signals.link_bands import link_bands
from flowdiag.diagnoser.signals.link_states import CARRYING, KEEPALIVES, link_states
from tests.diagnoser.building import PING, Book, profile

MINUTES = 90
BACK = 52  # on the backup from minute 30 on


def stay_of_22_minutes(down: float, up: float) -> Book:
    """On the backup from minute 30 to 52; a connection of the stay goes on there with so many octets a minute."""
    book = Book()
    book.browse(0, 30 * 60)
    book.browse(30 * 60, BACK * 60, link="lte")
    book.browse(BACK * 60, MINUTES * 60)
    book.pings(0, MINUTES * 60)
    for start in range(40 * 60, MINUTES * 60, 60):
        book.talk(
            start, start + 59, down, up, link="lte",
            inside="192.168.40.25", outside="203.0.113.200", inside_port=51_000,
        )  # fmt: skip
    return book


def test_what_trickles_on_after_a_stay_on_the_backup_is_not_carrying() -> None:
    # 6,750 octets a minute are 900 bit/s each way.
    case = stay_of_22_minutes(6_750, 6_750).case(profile(keepalives=[PING]), span=(0, MINUTES * 60))
    (stay,) = failovers(case).episodes
    assert round(stay.length_ms / 60_000) == 22
    fibre, lte = link_bands(case).tolist()
    assert link_states(case).states[1].tolist()[BACK:MINUTES] == [CARRYING] * (MINUTES - BACK)
    assert lte[:MINUTES] == [KEEPALIVES] * 30 + [CARRYING] * 22 + [KEEPALIVES] * (MINUTES - BACK)
    assert fibre[BACK:MINUTES] == [CARRYING] * (MINUTES - BACK)


@pytest.mark.parametrize(("down", "up", "state"), [(7_500, 7_500, KEEPALIVES), (7_500, 7_501, CARRYING)])
def test_more_than_chatter_after_a_stay_on_the_backup_is_carrying(down: float, up: float, state: int) -> None:
    # Chatter has 2,000 bit/s at most: 15,000 octets a minute.
    case = stay_of_22_minutes(down, up).case(profile(keepalives=[PING]), span=(0, MINUTES * 60))
    assert link_bands(case)[1].tolist()[BACK:MINUTES] == [state] * (MINUTES - BACK)


def test_what_trickled_over_the_backup_before_a_stay_is_not_carrying() -> None:
    book = stay_of_22_minutes(0, 0)
    for start in range(0, 20 * 60, 60):
        book.talk(start, start + 59, 4_000, 3_000, link="lte", outside="203.0.113.201")
    case = book.case(profile(keepalives=[PING]), span=(0, MINUTES * 60))
    assert len(failovers(case).episodes) == 1
    assert link_bands(case)[1].tolist()[:31] == [KEEPALIVES] * 30 + [CARRYING]


def test_a_quiet_minute_of_a_stay_on_the_backup_is_carrying() -> None:
    book = stay_of_22_minutes(0, 0)
    book.rows = [row for row in book.rows if not 45 * 60_000 <= row[0] - book.rows[0][0] < 46 * 60_000]
    book.talk(45 * 60 + 5, 45 * 60 + 9, 4_000, 400, link="lte", outside="203.0.113.3")
    case = book.case(profile(keepalives=[PING]), span=(0, MINUTES * 60))
    assert len(failovers(case).episodes) == 1
    assert link_bands(case)[1].tolist()[44:47] == [CARRYING] * 3


def test_the_band_shows_a_leak_that_is_alleged_however_slow() -> None:
    book = Book()
    book.browse(0, 3 * 3600)
    for start in range(0, 3 * 3600, 60):  # 1,600 bit/s, 2.2 MB, in large packets
        book.talk(start, start + 20, 11_000, 1_000, packets=10, link="lte", outside="203.0.113.7")
    case = book.case(profile(), span=(0, 3 * 3600))
    assert len(leaking(case, 1))
    assert link_bands(case)[1].tolist()[:180] == [CARRYING] * 180


def test_a_main_line_that_carries_little_is_carrying() -> None:
    book = Book()
    book.browse(0, 1800)
    for start in range(1800, 3600, 60):
        book.talk(start, start + 59, 4_000, 2_000, packets=40)
    assert link_bands(book.case(span=(0, 3600)))[0].tolist()[:60] == [CARRYING] * 60
