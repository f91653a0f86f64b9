"""What came on top, fell away, grew or shrank between two times. Octets by hand."""

from __future__ import annotations

from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.traffic_shift import Shift, Shifts, shifts
from tests.diagnoser.building import Book, ms

# Of one export of 20 minutes: asked about are the last ten, the first ten stand beside them.
ASKED, OTHER = (600, 1200), (0, 600)
ARCHIVE, DESK = "192.168.40.20", "192.168.40.21"
BACKUP, SHOP = "203.0.113.9", "203.0.113.10"


def at(case: Case, window: tuple[float, float]) -> Case:
    return replace(case, window_ms=(ms(window[0]), ms(window[1])), window_given=True)


def moved(book: Book, asked: tuple[float, float] = ASKED, other: tuple[float, float] = OTHER) -> Shifts:
    """On the upload of the first link."""
    case = book.case(span=(0, 1200))
    return shifts(at(case, asked), at(case, other), 0, UP)


def office(book: Book) -> Book:
    """50 MB of one device to a shop in either time."""
    for start in (0, 600):
        book.row(start, start + 600, way=UP, octets=50e6, inside=DESK, outside=SHOP)
    return book


def named(found: Shifts) -> list[tuple[str, str, int, int]]:
    """The explanation's parts and octets."""
    if found.explanation is None:
        return []
    return [(one.kind, one.key, one.asked_octets, one.other_octets) for one in found.explanation.parts]


def test_what_came_on_top_is_named_with_the_octets_that_its_names_have_in_common() -> None:
    book = office(Book())
    book.row(600, 1200, way=UP, octets=900e6, inside=ARCHIVE, outside=BACKUP)
    book.row(600, 1200, way=UP, octets=7e6, inside=ARCHIVE, outside=SHOP)
    found = moved(book)
    assert (found.asked_octets, found.other_octets) == (957_000_000, 50_000_000)
    assert named(found) == [
        ("destination", BACKUP, 900_000_000, 0),
        ("host", ARCHIVE, 900_000_000, 0),
        ("application", "web", 900_000_000, 0),
    ]
    assert found.largest == (
        Shift("destination", BACKUP, None, 900_000_000, 0),
        Shift("host", ARCHIVE, "imaging archive", 907_000_000, 0),
        Shift("application", "web", None, 957_000_000, 50_000_000),
    )


def test_what_fell_away_is_named_too() -> None:
    book = office(Book())
    book.row(0, 600, way=UP, octets=900e6, inside=ARCHIVE, outside=BACKUP)
    assert named(moved(book))[:2] == [
        ("destination", BACKUP, 0, 900_000_000),
        ("host", ARCHIVE, 0, 900_000_000),
    ]


def test_only_the_part_inside_either_window_counts() -> None:
    """A transfer from 300 s to 900 s lies half in both: no difference."""
    book = office(Book())
    book.row(300, 900, way=UP, octets=900e6, inside=ARCHIVE, outside=BACKUP)
    found = moved(book)
    assert (found.asked_octets, found.other_octets) == (500_000_000, 500_000_000)
    assert (found.explanation, found.largest) == (None, ())


def test_half_of_the_difference_explains_it_and_less_does_not() -> None:
    """Of 400 MB more, four destinations of one device have 100 each; then one has 199, and 200."""
    book = office(Book())
    for place in range(4):
        book.row(600, 1200, way=UP, octets=100e6, inside=ARCHIVE, outside=f"198.51.100.{place}")
    assert [one[0] for one in named(moved(book))] == ["host", "application"]
    for octets, kinds in ((199e6, []), (200e6, ["destination", "host", "application"])):
        book = office(Book())
        book.row(600, 1200, way=UP, octets=octets, inside=ARCHIVE, outside=BACKUP)
        for host in range(4):
            book.row(600, 1200, way=UP, octets=(400e6 - octets) / 4, inside=f"192.168.40.{30 + host}",
                     outside=f"198.51.100.{host}")  # fmt: skip
        found = [one[0] for one in named(moved(book))]
        assert found == (kinds or ["application"])


def test_names_together_have_to_make_up_half_of_the_difference() -> None:
    """300 of 500 MB more are with one destination, from two devices: neither has half of all with it."""
    book = office(Book())
    for host in (ARCHIVE, "192.168.40.22"):
        book.row(600, 1200, way=UP, octets=150e6, inside=host, outside=BACKUP)
    book.row(600, 1200, way=UP, octets=200e6, inside=ARCHIVE, outside=SHOP)
    assert [one[:2] for one in named(moved(book))] == [("destination", BACKUP), ("application", "web")]


def test_times_of_different_length_compare_by_rate() -> None:
    """A device sends 1 Mbit/s all along: beside five minutes, ten hold twice the octets and no difference."""
    book = Book()
    book.row(0, 1200, way=UP, octets=150e6, inside=DESK, outside=SHOP)
    found = moved(book, other=(0, 300))
    assert (found.asked_octets, found.other_octets) == (75_000_000, 37_500_000)
    assert (found.explanation, found.largest) == (None, ())


def test_the_largest_three_of_a_kind_are_listed_largest_first() -> None:
    book = office(Book())
    for place, octets in enumerate((100e6, 400e6, 200e6, 300e6)):
        book.row(600, 1200, way=UP, octets=octets, inside=ARCHIVE, outside=f"198.51.100.{place}")
    found = [one.key for one in moved(book).largest if one.kind == "destination"]
    assert found == ["198.51.100.1", "198.51.100.3", "198.51.100.2"]


def test_equal_differences_stand_in_the_order_of_their_names() -> None:
    book = office(Book())
    for place in (9, 8, 7):
        book.row(600, 1200, way=UP, octets=100e6, inside=ARCHIVE, outside=f"198.51.100.{place}")
    found = [one.key for one in moved(book).largest if one.kind == "destination"]
    assert found == ["198.51.100.7", "198.51.100.8", "198.51.100.9"]


def test_where_nothing_flowed_nothing_differs() -> None:
    book = Book()
    book.row(0, 1200, way=DOWN, octets=50e6)
    assert moved(book) == Shifts(0, 0, None, ())


def test_the_other_direction_and_other_links_do_not_count() -> None:
    book = office(Book())
    book.row(600, 1200, way=DOWN, octets=900e6, inside=ARCHIVE, outside=BACKUP)
    book.row(600, 1200, way=UP, octets=900e6, inside=ARCHIVE, outside=BACKUP, link="lte")
    assert moved(book).largest == ()


def test_two_readings_of_a_store_are_held_together_by_address() -> None:
    """The same places in another order, and one that the first reading does not have."""
    first, second = Book(), Book()
    first.row(600, 1200, way=UP, octets=100e6, inside=DESK, outside=SHOP)
    first.row(600, 1200, way=UP, octets=300e6, inside=ARCHIVE, outside=BACKUP)
    second.row(0, 600, way=UP, octets=40e6, inside=ARCHIVE, outside="198.51.100.77")
    second.row(0, 600, way=UP, octets=310e6, inside=ARCHIVE, outside=BACKUP)
    second.row(0, 600, way=UP, octets=100e6, inside=DESK, outside=SHOP)
    asked, other = at(first.case(span=(600, 1200)), ASKED), at(second.case(span=(0, 600)), OTHER)
    found = shifts(asked, other, 0, UP)
    # 450 MB then, 400 now: 40 and 10 less; from 5 % of the larger, 22.5 MB, on a row is worth it.
    assert [(one.kind, one.key, one.asked_octets, one.other_octets) for one in found.largest] == [
        ("destination", "198.51.100.77", 0, 40_000_000),
        ("host", ARCHIVE, 300_000_000, 350_000_000),
        ("application", "web", 400_000_000, 450_000_000),
    ]
    assert named(found)[0] == ("destination", "198.51.100.77", 0, 40_000_000)
