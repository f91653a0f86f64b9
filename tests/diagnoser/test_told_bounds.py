"""What is told beside a verdict and of a comparison: each bound at it and beside it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser import client_part, comparison
from flowdiag.diagnoser.attacked import left_to_security
from flowdiag.diagnoser.cautions import cautions
from flowdiag.diagnoser.compared import BUSY, CALM, Load, Side
from flowdiag.diagnoser.confidence import LOSS_MINOR
from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.finding import Finding, Verdict
from flowdiag.diagnoser.signals.at_limit import AtLimit
from flowdiag.diagnoser.signals.episodes import Episode
from flowdiag.text.sentences import verdict as wording
from tests.diagnoser.building import MINUTE, Book, ms, profile
from tests.diagnoser.test_client_part import finding, full, hour

SITE = profile(backup=False)
HOUR = 3600


# Attacks and cautions -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("begin", "end", "left"), [(0, 10, False), (0, 10.001, True), (20, 30, False), (19.999, 30, True)]
)
def test_load_that_only_touches_an_attack_is_not_explained_by_it(
    begin: float, end: float, left: bool
) -> None:
    flood = finding("inbound-flood", 10, 20, direction="down", evidence={"fills_link": True})
    load = full(begin, end, "down")
    assert bool(left_to_security([flood, load])[1].actions) == left


@pytest.mark.parametrize("unknown", ["start_ms", "end_ms"])
def test_load_or_an_attack_without_times_is_not_explained(unknown: str) -> None:
    flood = finding("inbound-flood", 10, 20, direction="down", evidence={"fills_link": True})
    load = full(12, 18, "down")
    for found in ([replace(flood, **{unknown: None}), load], [flood, replace(load, **{unknown: None})]):
        assert not left_to_security(found)[1].actions


@pytest.mark.parametrize(("sampling", "said"), [(1.0, False), (2.0, True), (1000.0, True)])
def test_sampling_is_a_caution(sampling: float, said: bool) -> None:
    case = hour()
    case = replace(case, coverage=replace(case.coverage, sampling=sampling))
    assert (wording.sampled(sampling) in cautions(case, [])) == said


@pytest.mark.parametrize(
    ("end", "said"),
    # The export ends at 3600 s; records of a minute that ended after 3540 s may be missing.
    [(3540, False), (3540.001, True), (3600, True)],
)
def test_a_window_that_reaches_into_the_last_records_is_told_to_lack_some(end: float, said: bool) -> None:
    book = Book()
    book.row(0, HOUR, way=DOWN, octets=1000)
    case = book.case(SITE, window=(0, end))
    assert (wording.OPEN_RECORDS in cautions(case, [])) == said


@pytest.mark.parametrize(
    ("found", "lost", "said"),
    [
        ([finding("export-gap", 0, 5, severity="warning")], 0, True),
        ([finding("export-gap", 0, 5, severity="info")], 0, False),
        ([finding("link-full", 0, 5)], 0, False),
        ([], 10_000, True),
    ],
)
def test_what_is_missing_makes_figures_lower_bounds(found: list[Finding], lost: int, said: bool) -> None:
    case = hour()
    case = replace(case, coverage=replace(case.coverage, lost_records=lost))
    assert (wording.LOWER_BOUNDS in cautions(case, found)) == said


# The client's part --------------------------------------------------------------------------------------------------


def test_two_other_troubles_are_told_and_no_third() -> None:
    first = finding("outage", 0, 5, link=None)
    others = [
        finding("below-plan", 30, 35), finding("link-full", 20, 25), finding("inbound-flood", 10, 15),
    ]  # fmt: skip
    sentence, also = client_part.client_sentences(hour(), first, [first], [first, *others])
    assert sentence == (
        "outage from 0 to 5. Besides, inbound-flood from 10 to 15. Besides, link-full from 20 to 25."
    )
    assert [one.code for one in also] == ["inbound-flood", "link-full"]


@pytest.mark.parametrize(
    ("share", "together"), [(0.45, True), (0.449, False), (0.5, True), (0.549, True), (0.551, False)]
)
def test_ceilings_a_twentieth_of_the_plan_apart_are_one(share: float, together: bool) -> None:
    first = finding("below-plan", 0, 5, evidence={"share_of_plan": 0.5})
    other = finding("below-plan", 10, 15, evidence={"share_of_plan": share})
    assert (client_part._group(first, [other, first]) == [first, other]) == together


@pytest.mark.parametrize(
    ("code", "end", "explained"),
    [
        ("on-backup", 5.001, True),  # more than half of the ten minutes
        ("on-backup", 5.0, False),
        ("outbound-scan", 10, True),
        ("below-plan", 10, False),  # brings no full line with it
        ("link-full", 10, False),
    ],
)
def test_a_trouble_explains_what_lies_mostly_in_its_time(code: str, end: float, explained: bool) -> None:
    assert client_part._is_explained(full(0, 10), [finding(code, 0, end)]) == explained


def test_no_trouble_explains_another_of_its_kind() -> None:
    assert not client_part._is_explained(finding("outage", 1, 2), [finding("outage", 0, 10)])


def test_a_span_is_a_millisecond_at_least_and_begins_at_zero_where_no_time_is_known() -> None:
    bare = Finding("outage", "critical", "high", "", "")
    spans = [(None, None), (None, 500), (1000, 1000), (1000, 1001), (1000, 2000)]
    assert [client_part._span(replace(bare, start_ms=a, end_ms=b)) for a, b in spans] == [
        (0, 1), (0, 500), (1000, 1001), (1000, 1001), (1000, 2000),
    ]  # fmt: skip


def test_the_last_of_several_stays_says_whether_the_site_is_still_on_its_backup() -> None:
    still, over = {"still_on_backup": True}, {"still_on_backup": False}
    for first, last, said in ((over, still, True), (still, over, False)):
        stays = [
            finding("on-backup", 5, 15, link="lte", evidence=first),
            finding("on-backup", 30, 50, link="lte", evidence=last),
        ]
        sentence = client_part._sentence(hour(), stays[0], stays)
        assert ("it has been on it since 10:30" in sentence) == said


def test_the_hosts_of_several_spells_are_those_of_the_first_where_all_say_the_same_of_them() -> None:
    def one(*hosts: tuple[str, float]) -> Finding:
        return full(0, 1, evidence={"hosts": [{"address": name, "share": share} for name, share in hosts]})

    first = one(("a", 0.9), ("b", 0.1))
    assert client_part._hosts([first, one(("a", 0.8), ("c", 0.2))]) == first.evidence["hosts"]
    assert client_part._hosts([first, one(("b", 0.9), ("a", 0.1))]) == []
    assert client_part._hosts([first, full(2, 3, evidence={"hosts": []})]) == []


def limit(link: int, direction: int, seconds: int, of: int = 1000) -> AtLimit:
    return AtLimit(link, direction, ((ms(0), ms(seconds)),), of * 1000, ((95.0, 99.0),))


def test_a_tenth_of_the_window_at_a_limit_is_worth_telling(monkeypatch: pytest.MonkeyPatch) -> None:
    limits = [limit(0, DOWN, 100), limit(1, UP, 99)]
    monkeypatch.setattr(client_part, "at_limit", lambda case: limits)
    case = hour()
    assert len(client_part._full_for_moments(case, finding("on-backup", 0, 5, link="lte"))) == 1
    limits[:] = [limit(0, DOWN, 300), limit(0, UP, 200), limit(1, DOWN, 150)]
    told = client_part._full_for_moments(case, finding("on-backup", 0, 5, link="lte"))
    assert [("download" in one, "upload" in one) for one in told] == [(True, False), (False, True)]


def test_beside_a_leak_the_primarys_longest_spell_and_its_fullest_time_are_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    limits = [limit(1, DOWN, 400), limit(0, DOWN, 300), limit(0, UP, 60)]
    rooms = [SimpleNamespace(link=link, share=share) for link, share in ((1, 0.9), (0, 0.70), (0, 0.1))]
    monkeypatch.setattr(client_part, "at_limit", lambda case: limits)
    monkeypatch.setattr(client_part, "room", lambda case: rooms)
    case, leak = hour(), finding("backup-leak", 0, 60, link="lte")
    assert "5 minutes" in client_part._main_line(case, leak)
    limits.clear()
    busy = client_part._main_line(case, leak)  # busy from seven tenths on
    assert "70%" in busy
    rooms[1].share = 0.69
    assert client_part._main_line(case, leak) != busy.replace("70%", "69%")
    rooms[1:] = []
    assert client_part._main_line(case, leak) == ""


# Comparisons --------------------------------------------------------------------------------------------------------


def test_of_two_thin_times_the_first_is_said() -> None:
    case = hour()
    place: Any = object()
    assert comparison._missing(case, case, (0.1, 0.2), [place]) == (
        "Only 10% of the time asked about is covered by records, which is too little to compare."
    )
    assert comparison._missing(case, case, (0.5, 0.5), [place]) is None
    assert comparison._missing(case, case, (0.499, 0.5), [place]) is not None


@pytest.mark.parametrize(
    ("first", "stop", "inside"),
    [
        (20, 29, ()),
        (20, 30, ()),
        (20, 31, ((30, 31),)),
        (59, 70, ((59, 60),)),
        (60, 70, ()),
        (0, 90, ((30, 60),)),
    ],
)
def test_an_episode_counts_as_far_as_it_lies_in_the_window(
    first: int, stop: int, inside: tuple[tuple[int, int], ...]
) -> None:
    book = Book()
    book.row(0, 2 * HOUR, way=DOWN, octets=1000)
    case = book.case(SITE, window=(30 * MINUTE, 60 * MINUTE))
    spans = comparison._inside(case, (Episode(0, DOWN, ((first, stop),)),), 0, DOWN)
    assert spans == tuple((ms(a * MINUTE), ms(b * MINUTE)) for a, b in inside)


def pair(ours: tuple[float, float], theirs: tuple[float, float]) -> Any:
    asked, other = (
        SimpleNamespace(peak_mbps=peak, mean_mbps=mean, capacity_mbps=20.0) for peak, mean in (ours, theirs)
    )
    return comparison.Pair("fibre", "primary", "up", asked, other)  # type: ignore[arg-type]


def test_the_fullest_and_what_moved_most_are_parts_of_the_plan() -> None:
    assert comparison._highest(pair((10, 1), (5, 1))) == 0.5
    assert comparison._highest(pair((5, 1), (10, 1))) == 0.5
    assert comparison._moved(pair((10, 1), (5, 4))) == 0.25
    assert comparison._moved(pair((5, 9), (4, 1))) == 0.4
    assert comparison._moved(replace(pair((5, 9), (4, 1)), other=None)) == 0.0


@pytest.mark.parametrize(
    ("theirs", "differs"),
    [
        ((CALM, 0.10, 0.0), True),
        ((CALM, 0.0999, 0.0), False),
        ((CALM, 0.0, 0.10), True),
        ((CALM, 0.0, 0.0999), False),
        ((BUSY, 0.0, 0.0), True),
    ],
)
def test_a_tenth_of_the_plan_or_another_level_is_a_difference(
    theirs: tuple[int, float, float], differs: bool
) -> None:
    verdict, case = Verdict("not-the-link", "", "high"), hour()
    sides = [
        Side(case, verdict, Load(level, (), peak, mean)) for level, peak, mean in ((CALM, 0.0, 0.0), theirs)
    ]
    assert comparison._differs(sides[0], sides[1]) == differs
    assert comparison._differs(sides[1], sides[0]) == differs


@pytest.mark.parametrize(
    ("ours", "theirs", "differ"),
    [(0, 0, False), (100, 80, True), (100, 81, False), (80, 100, True), (0, 1, True)],
)
def test_volumes_a_fifth_apart_differ(ours: int, theirs: int, differ: bool) -> None:
    case = hour()
    moved: Any = SimpleNamespace(asked_octets=ours * 1e6, other_octets=theirs * 1e6)
    assert comparison._volumes_differ(moved, case, case) == differ


@pytest.mark.parametrize(
    ("seconds", "lost", "parts", "doubts"),
    [
        (3600, 0.0, (1.0, 1.0), 0),
        (3636, 0.0, (1.0, 1.0), 0),  # a hundredth longer
        (3637, 0.0, (1.0, 1.0), 1),
        (3563, 0.0, (1.0, 1.0), 1),
        (3600, LOSS_MINOR, (1.0, 1.0), 2),
        (3600, LOSS_MINOR * 0.999, (1.0, 1.0), 0),
        (3600, 0.0, (0.95, 0.95), 0),
        (3600, 0.0, (0.949, 0.95), 1),
    ],
)
def test_two_times_are_doubted_for_their_length_losses_and_cover(
    monkeypatch: pytest.MonkeyPatch, seconds: int, lost: float, parts: tuple[float, float], doubts: int
) -> None:
    monkeypatch.setattr(comparison, "lost_between", lambda case, begin, end: lost)
    case = hour()
    asked: Any = SimpleNamespace(case=case)
    other: Any = SimpleNamespace(case=replace(case, window_ms=(ms(0), ms(seconds))))
    about: Any = SimpleNamespace(asked=None, other=None)
    assert len(comparison._doubts(asked, other, parts, about)) == doubts


# Rankings -----------------------------------------------------------------------------------------------------------


def test_a_diagnosis_carries_twenty_rows_of_a_ranking() -> None:
    book = Book()
    for number in range(22):
        book.row(0, 60, way=DOWN, octets=1000 + number, inside=f"192.168.40.{20 + number}")
    assert len(diagnose(book.case(SITE)).talkers) == 20
