"""What each link did in each minute."""

from __future__ import annotations

from flowdiag.aggregator.site_flows import UP
from flowdiag.diagnoser.signals.link_states import CARRYING, KEEPALIVES, SILENT, UNKNOWN, link_states
from tests.diagnoser.building import PING, Book, profile


def test_each_minute_has_its_state() -> None:
    book = Book()
    book.browse(0, 180)
    book.pings(60, 180)
    book.browse(120, 180, link="lte")
    case = book.case(profile(keepalives=[PING]), span=(0, 300), heard=[(0, 239)])
    fibre, lte = link_states(case).states.tolist()
    assert fibre[:5] == [CARRYING, CARRYING, CARRYING, SILENT, UNKNOWN]
    assert lte[:5] == [SILENT, KEEPALIVES, CARRYING, SILENT, UNKNOWN]


def test_a_keepalive_that_the_profile_does_not_list_is_named_with_its_interval() -> None:
    book = Book()
    book.browse(0, 3600)
    book.pings(0, 3600, interval=10)
    (candidate,) = link_states(book.case(span=(0, 3600))).candidates
    assert candidate.address.endswith(bytes([198, 51, 100, 1]))
    assert (candidate.link, candidate.protocol, candidate.packet_octets) == (1, 1, 84)
    assert abs(candidate.interval_s - 10) < 0.1


def test_many_places_on_the_backup_are_no_keepalives() -> None:
    book = Book()
    for place in range(5):
        for start in range(0, 3600, 30):
            book.talk(start, start, 84, 84, link="lte", packets=1, outside=f"203.0.113.{place + 1}")
    assert link_states(book.case(span=(0, 3600))).candidates == ()


def test_the_routers_own_chatter_is_told_by_interface_zero_only_if_others_have_one() -> None:
    for lan_interface, ordinary in ((1, False), (0, True)):
        book = Book()
        for start in range(0, 600, 10):
            book.row(start, start + 1, way=UP, octets=50_000, ingress=lan_interface, egress=2)
        book.row(5, 5, way=UP, octets=76, packets=1, ingress=0, egress=2, inside="192.0.2.10")
        assert bool(link_states(book.case(span=(0, 600))).ordinary[-1]) is ordinary
