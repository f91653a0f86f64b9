"""When a second source of a link is the same traffic once more: by octets in common, at overlapping times."""

from __future__ import annotations

import pytest

from tests.aggregator.tables import EXPORTER, Row, build, octets_by_direction, up

OTHER = "192.0.2.11"
PORTS = range(1, 41)


def flow(exporter: str, port: int, start: float, end: float, octets: int = 1000) -> Row:
    return up(src_port=port, start=start, end=end, octets=octets, exporter=exporter)


def counted(rows: list[Row]) -> float:
    """Octets of the site's uploads."""
    return octets_by_direction(build(rows)[0])[1]


@pytest.mark.parametrize("late", [EXPORTER, OTHER])
def test_the_same_conversations_at_other_times_are_other_packets(late: str) -> None:
    early = OTHER if late == EXPORTER else EXPORTER
    rows = [flow(early, port, 0, 60) for port in PORTS] + [flow(late, port, 300, 350) for port in PORTS]
    assert counted(rows) == 80 * 1000


@pytest.mark.parametrize("late", [EXPORTER, OTHER])
@pytest.mark.parametrize(("begins", "copies"), [(60.0, 0), (60.001, 1)])
def test_times_overlap_where_one_begins_when_the_other_ends(late: str, begins: float, copies: int) -> None:
    early = OTHER if late == EXPORTER else EXPORTER
    rows = [flow(early, port, 0, 60) for port in PORTS] + [flow(late, port, begins, 110) for port in PORTS]
    assert counted(rows) == (1 + copies) * 40 * 1000


def test_single_packets_overlap_at_their_moment() -> None:
    # Framing makes the other exporter's octets 14 more, so that its records repeat none of the first.
    rows = [flow(EXPORTER, port, port, port, 100) for port in PORTS]
    rows += [flow(OTHER, port, port, port, 114) for port in PORTS]
    assert counted(rows) == 40 * 100


@pytest.mark.parametrize(("in_common", "counts"), [(8, 40), (7, 50)])
def test_four_fifths_of_the_lesser_sources_octets_are_enough(in_common: int, counts: int) -> None:
    """Ten conversations of 1000 octets beside forty of 2000 each, cut otherwise."""
    rows = [flow(EXPORTER, port, 0, 60, 2000) for port in PORTS]
    lesser = [*range(1, in_common + 1), *range(101, 111 - in_common)]
    rows += [flow(OTHER, port, 0, 50, 1000) for port in lesser]
    assert counted(rows) == 40 * 2000 + (counts - 40) * 1000


def test_times_of_a_conversation_reach_from_its_first_record_to_its_last() -> None:
    """One source tells it at its beginning and its end, the other a piece between them."""
    rows = [flow(EXPORTER, port, start, start + 10, 500) for port in PORTS for start in (0, 200)]
    rows += [flow(OTHER, port, 100, 110, 1000) for port in PORTS]
    assert counted(rows) == 40 * 1000
