"""What sampling does to certainty: 1.96 / sqrt(n) of n sampled packets, with 95 % confidence (RFC 5475; arithmetic)."""

from __future__ import annotations

import pytest

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.confidence import MAJOR, MINOR, NOTED, of_sampling
from flowdiag.diagnoser.findings import not_the_link
from flowdiag.text.sentences import all_clear as wording_all_clear
from tests.diagnoser.building import MINUTE, Book, profile

ONE_IN = 100
MBPS_MINUTE = 1e6 / 8 * MINUTE


def sampled(one_in: int = ONE_IN) -> Case:
    book = Book()
    book.row(0, 60, way=DOWN, octets=1000, sampling=one_in)
    return book.case()


@pytest.mark.parametrize(
    ("share", "threshold", "weight"),
    [
        (0.50, 0.475, NOTED),  # 5 % of the share away: more than twice the error
        (0.50, 0.485, MINOR),  # 3 %: more than the error, less than twice
        (0.50, 0.495, MAJOR),  # 1 %: the other side is as likely as not
        (0.50, 0.525, NOTED),
        (0.50, 0.515, MINOR),
        (0.50, 0.505, MAJOR),
    ],
)
def test_a_figure_is_as_sure_as_its_threshold_is_far(share: float, threshold: float, weight: int) -> None:
    """9604 sampled packets, 98 squared: 1.96 / 98 is two per cent."""
    doubt = of_sampling(sampled(), 9604 * ONE_IN, share, threshold)
    assert doubt is not None
    assert doubt.weight == weight
    assert "off by 2%" in doubt.text


@pytest.mark.parametrize(("packets", "weight"), [(39_204, NOTED), (37_636, MAJOR)])
def test_an_error_under_a_hundredth_is_only_noted_however_near_the_threshold(
    packets: int, weight: int
) -> None:
    """198 and 194 squared: 0.99 and 1.01 per cent."""
    doubt = of_sampling(sampled(), packets * ONE_IN, 0.5, 0.5001)
    assert doubt is not None
    assert doubt.weight == weight


def test_a_packet_or_none_leaves_everything_open() -> None:
    for packets in (0, 1, ONE_IN):
        doubt = of_sampling(sampled(), packets, 0.5, 0.1)
        assert doubt is not None
        assert doubt.weight == MAJOR
        assert "off by 196%" in doubt.text


def test_what_is_not_sampled_has_no_such_error() -> None:
    assert of_sampling(sampled(1), 4, 0.5, 0.5) is None
    assert of_sampling(sampled(2), 4, 0.5, 0.5) is not None


@pytest.mark.parametrize(("highest", "sure"), [(54, True), (60, False)])
def test_an_all_clear_is_sure_where_sampling_cannot_hide_a_full_line(highest: int, sure: bool) -> None:
    """1 in 20,000 of 1000-octet packets: 37.5 of a full minute of 100 Mbit/s, 32 % of error. A line is full from 90 %,
    36 above 54 and 30 above 60."""
    book = Book()
    for minute in range(30):
        rate = highest - 7 * (minute % 5)
        for part in range(300):  # short ones, so that none holds the rate
            at = minute * MINUTE + 0.2 * part
            book.row(at, at + 1, way=DOWN, octets=rate * MBPS_MINUTE / 300, sampling=20_000,
                     outside=f"203.0.113.{part % 200 + 1}", inside_port=20_000 + part)  # fmt: skip
    found = not_the_link.verdict(book.case(profile(backup=False)))
    assert found.confidence == ("high" if sure else "medium")
    assert (wording_all_clear.SAMPLED in found.sentence) == (not sure)
    assert any("off by 32%" in reason for reason in found.reasons)
