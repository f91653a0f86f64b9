"""Gaps, unsteady lines and floods by their own functions, on the smallest cases that tell them apart."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.findings import export_gap, flapping, inbound_flood
from flowdiag.diagnoser.signals.conversations import half_open
from flowdiag.diagnoser.signals.failovers import Failover
from flowdiag.diagnoser.signals.silences import Silence
from flowdiag.site.profile import Thresholds
from tests.diagnoser.building import ICMP, MINUTE, SYN, TCP, UDP, Book, ms, profile

HOUR, DAY = 3600, 86_400
SITE = profile(backup=False)


def bare(window: tuple[float, float] | None = (0, HOUR), hours: str | None = None, **more: Any) -> Case:
    book = Book()
    book.row(0, 1, way=DOWN, octets=1000)
    return book.case(profile(backup=False, hours=hours), span=(0, HOUR), window=window, **more)


# Gaps of the export -------------------------------------------------------------------------------------------------


def silent(*spans: tuple[float, float]) -> tuple[Silence, ...]:
    return tuple(Silence(ms(begin), ms(end)) for begin, end in spans)


@pytest.mark.parametrize(("count", "findings"), [(4, 4), (5, 5), (6, 1)])
def test_more_than_five_silences_are_one_finding(
    monkeypatch: pytest.MonkeyPatch, count: int, findings: int
) -> None:
    gaps = silent(*((600 * number, 600 * number + 10) for number in range(count)))
    monkeypatch.setattr(export_gap, "silences", lambda case: gaps)
    assert len(export_gap.find(bare())) == findings


@pytest.mark.parametrize(
    ("spans", "severities"),
    [
        ([(0, 180)], ["warning"]),  # a twentieth of the hour
        ([(0, 179)], ["info"]),
        ([(0, 90), (600, 690)], ["warning", "warning"]),  # both together
        ([(3510, 3690)], ["info"]),  # half of it in the window
        ([(0, 180), (3600, 7200)], ["warning", "info"]),
    ],
)
def test_silences_weigh_by_their_part_of_the_window(
    monkeypatch: pytest.MonkeyPatch, spans: list[tuple[float, float]], severities: list[str]
) -> None:
    monkeypatch.setattr(export_gap, "silences", lambda case: silent(*spans))
    assert [one.severity for one in export_gap.find(bare())] == severities


def test_a_window_of_no_length_is_no_division_by_zero(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(export_gap, "silences", lambda case: silent((0, 60)))
    (found,) = export_gap.find(bare((30, 30)))
    assert (found.severity, found.evidence["share_of_window"]) == ("info", 0.0)
    (found,) = export_gap.find(bare((30, 30.001)))
    assert (found.severity, found.evidence["share_of_window"]) == ("warning", 1.0)


@pytest.mark.parametrize(
    ("begin", "end", "share"), [(30, 30, 0.0), (30, 30.001, 1.0), (0, 120, 0.5), (60, 90, 0.0)]
)
def test_a_restart_has_its_part_of_a_window_of_any_length(begin: float, end: float, share: float) -> None:
    found = export_gap._restart(bare((begin, end)), ms(0), ms(60))
    assert found.evidence["share_of_window"] == share


@pytest.mark.parametrize(
    ("begin", "end", "outside"),
    # Mondays are open from eight to ten, and the case begins at ten.
    [
        (0, 60, True),
        (-60, 60, False),
        (7 * DAY - 2 * HOUR - 120, 7 * DAY - 2 * HOUR, True),
        (0, 7 * DAY - 2 * HOUR + 60, False),
        (0, 7 * DAY - 2 * HOUR, True),
        (0, 7 * DAY - 2 * HOUR + 1, False),  # a minute that is begun counts
    ],
)
def test_a_silence_outside_of_working_hours_touches_no_open_minute(
    begin: float, end: float, outside: bool
) -> None:
    case = bare(hours="Mon 08:00-10:00")
    assert export_gap._outside_hours(case, Silence(ms(begin), ms(end))) == outside
    assert not export_gap._outside_hours(bare(), Silence(ms(begin), ms(end)))


def test_of_a_silence_fifteen_days_are_looked_at() -> None:
    assert (
        export_gap.ALL_HOURS_MS == (2 * 7 + 1) * DAY * 1000
    )  # two weeks, and a day for an hour that is skipped


def test_several_silences_told_as_one_have_their_sum_and_their_spells() -> None:
    found = export_gap._silence(bare(), silent((0, 60), (600, 750)), "info", 7, restarted=False)
    assert (found.start_ms, found.end_ms) == (ms(0), ms(750))
    assert found.evidence == {
        "silent_minutes": 3.5,
        "share_of_window": round(210 / 3600, 4),
        "lost_records": 7,
        "spells": [
            {"from": "2026-03-02T10:00:00+00:00", "to": "2026-03-02T10:01:00+00:00"},
            {"from": "2026-03-02T10:10:00+00:00", "to": "2026-03-02T10:12:30+00:00"},
        ],
    }
    assert "spells" not in export_gap._silence(bare(), silent((0, 60)), "info", 0, restarted=False).evidence


@pytest.mark.parametrize(
    ("at", "noticed"), [(99.999, False), (100, True), (200, True), (320, True), (320.001, False)]
)
def test_a_loss_is_noticed_up_to_two_minutes_after_a_silence(at: float, noticed: bool) -> None:
    event: Any = SimpleNamespace(time_ms=ms(at))
    assert export_gap._noticed(event, silent((100, 200))) == noticed


# Unsteady lines -----------------------------------------------------------------------------------------------------


def stay(
    begin: float, end: float, *, link: int = 1, gap_s: float | None = 2.0, still: bool = False
) -> Failover:
    gap_ms = None if gap_s is None else round(gap_s * 1000)
    return Failover(link, ms(begin), ms(end), gap_ms, 1000.5, 200.25, False, still)


def groups(
    monkeypatch: pytest.MonkeyPatch, starts: list[float], least: int = 3, length: float = 60
) -> list[int]:
    stays = tuple(stay(start, start + length) for start in starts)
    monkeypatch.setattr(flapping, "failovers", lambda case: SimpleNamespace(episodes=stays))
    book = Book()
    book.row(0, 1, way=DOWN, octets=1000)
    case = book.case(profile(thresholds=Thresholds(flapping_failovers=least)))
    return [len(group) for group in flapping.flapping_groups(case)]


@pytest.mark.parametrize(
    ("starts", "least", "expected"),
    [
        ([0, 1800, 3600], 3, [3]),  # within an hour
        ([0, 1800, 3600.001], 3, []),
        ([0, 1800], 3, []),
        ([0, 3600], 2, [2]),
        ([0, 3601], 2, []),
        ([0], 1, []),  # one is no flapping, whatever the profile says
        ([0, 100], 1, [2]),
        ([0, 100, 200, 3000, 3801, 9000], 3, [4]),
        # The second group begins over an hour after the first one ended.
        ([0, 100, 200, 3861, 3900, 4000], 3, [3, 3]),
        ([0, 100, 200, 3860, 3900, 4000], 3, [6]),
        ([0, 100, 200, 3000, 7000, 7100, 7200], 3, [4, 3]),
    ],
)
def test_so_many_failovers_in_an_hour_are_a_group(
    monkeypatch: pytest.MonkeyPatch, starts: list[float], least: int, expected: list[int]
) -> None:
    assert groups(monkeypatch, starts, least) == expected


def test_a_stay_that_is_no_member_parts_two_groups(monkeypatch: pytest.MonkeyPatch) -> None:
    """The fourth one is an hour from any three; the long ones bring the groups within an hour of each other."""
    assert groups(monkeypatch, [0, 100, 200, 3900, 7600, 7700, 7800], 3, 3500) == [3, 3]


def test_the_evidence_of_an_unsteady_line() -> None:
    group = (
        stay(0, 90, gap_s=None), stay(600, 720, gap_s=12.34), stay(1200, 1260, gap_s=3.0, still=True, link=0),
    )  # fmt: skip
    found = flapping._finding(bare_pair(), group)
    assert (found.link, found.start_ms, found.end_ms) == ("lte", ms(0), ms(1260))
    assert found.evidence == {
        "failovers": 3,
        "minutes_on_backup": 4.5,
        "longest_gap_s": 12.3,
        "octets_down": 3001,
        "octets_up": 600,
        "still_on_backup": True,
        "switches": [
            {"from": "2026-03-02T10:00:00+00:00", "to": "2026-03-02T10:01:30+00:00", "gap_s": None},
            {"from": "2026-03-02T10:10:00+00:00", "to": "2026-03-02T10:12:00+00:00", "gap_s": 12.3},
            {"from": "2026-03-02T10:20:00+00:00", "to": "2026-03-02T10:21:00+00:00", "gap_s": 3.0},
        ],
    }
    alone = flapping._finding(bare_pair(), (stay(0, 9, gap_s=None), stay(20, 30, gap_s=None)))
    assert (alone.evidence["longest_gap_s"], alone.evidence["still_on_backup"]) == (None, False)


def bare_pair() -> Case:
    book = Book()
    book.row(0, HOUR, way=DOWN, octets=1000)
    return book.case(profile())


# Floods -------------------------------------------------------------------------------------------------------------

TIGHT = profile(
    backup=False, thresholds=Thresholds(flood_sources=2, flood_packets_s=100, flood_half_open_s=20)
)


def coming(*rows: dict[str, Any], span: tuple[float, float] = (0, HOUR), site: Any = TIGHT) -> Case:
    """Rows that come in by UDP from port 9999 to port 7000, or as they are told otherwise."""
    book = Book()
    for number, row in enumerate(rows):
        how: dict[str, Any] = {
            "way": DOWN, "protocol": UDP, "flags": 0, "port": 9999, "inside_port": 7000, "opened_inside": 0,
            "outside": f"203.0.113.{1 + number}", "octets": 100 * row.get("packets", 1), **row,
        }  # fmt: skip
        book.row(how.pop("start", 0), how.pop("end", 60), **how)
    return book.case(site, span=span)


def test_the_services_that_reflect() -> None:
    """Ports by convention, as the RFCs and the register of ports have them; 10 is one of none."""
    ports = (19, 53, 111, 123, 137, 161, 389, 1900, 3283, 3389, 3702, 5353, 11211)
    beside = tuple(port + step for port in ports for step in (-1, 1))
    case = coming(*({"port": port} for port in (*ports, *beside, -1, 65_535, 0)))
    certain = inbound_flood._is_certain(case.flows)
    assert certain.tolist() == [True] * len(ports) + [False] * (len(beside) + 3)


@pytest.mark.parametrize(
    ("rows", "targets"),
    [
        # 100 packets a second for a minute, or 20 of what is certain, by two sources at least.
        ([{"packets": 3000}, {"packets": 3000}], 1),
        ([{"packets": 3000}, {"packets": 2999}], 0),
        ([{"packets": 6000}], 0),
        ([{"packets": 600, "port": 53}, {"packets": 600, "port": 53}], 1),
        ([{"packets": 600, "port": 53}, {"packets": 599, "port": 53}], 0),
        ([{"packets": 600, "port": 53}, {"packets": 600}], 0),
        ([{"packets": 600, "protocol": TCP, "flags": SYN}, {"packets": 600, "port": 53}], 1),
        ([{"packets": 3000}, {"packets": 3000, "inside": "192.168.40.21"}], 0),
        (
            [{"packets": 3000, "inside": f"192.168.40.{20 + number % 2}"} for number in range(4)],
            2,
        ),
    ],
)
def test_a_target_has_packets_enough_for_a_minute_of_flood(rows: list[dict[str, Any]], targets: int) -> None:
    found = inbound_flood._by_target(coming(*rows))
    assert len(found) == targets
    assert sum(map(len, found)) == (len(rows) if targets else 0)


@pytest.mark.parametrize(
    ("spans", "crowded"),
    [
        # Half of the packets each, of which all are needed: at once, or in half hours that both touch.
        ([(0, 60), (1700, 1799)], True),
        ([(0, 60), (1800, 1900)], False),
        ([(0, 60), (1799, 1800)], True),
        ([(0, 1800), (1900, 1960)], True),  # the first one ends in the second half hour
        ([(0, 3700), (1900, 1960)], True),  # and one that lasts longer is in all between
        ([(0, 3599), (3600, 3660)], False),
        ([(0, 9000), (5400, 5460)], True),
    ],
)
def test_half_an_hour_holds_the_sources_and_packets_of_a_flood(
    spans: list[tuple[float, float]], crowded: bool
) -> None:
    case = coming(*({"start": a, "end": b, "packets": 600} for a, b in spans), span=(0, 3 * HOUR))
    found = inbound_flood._crowded(case, np.arange(len(spans)))
    assert bool(found[case.flows.inside[0]]) == crowded
    fewer = coming(*({"start": a, "end": b, "packets": 599} for a, b in spans), span=(0, 3 * HOUR))
    assert not inbound_flood._crowded(fewer, np.arange(len(spans))).any()


def test_each_target_is_crowded_by_its_own_rows() -> None:
    rows = [
        {"packets": 600}, {"packets": 600, "inside": "192.168.40.21", "start": 9000, "end": 9060},
        {"packets": 600, "inside": "192.168.40.21", "start": 5000, "end": 9060}, {"packets": 600, "start": 1800, "end": 1801},
    ]  # fmt: skip
    case = coming(*rows, span=(0, 3 * HOUR))
    found = inbound_flood._crowded(case, np.arange(4))
    inside = case.flows.inside
    assert [bool(found[inside[0]]), bool(found[inside[1]])] == [False, True]
    assert np.count_nonzero(found) == 1
    # One record of the first target, and two of the second in the half hour after.
    other = [
        {"packets": 600},
        *({"packets": 600, "inside": "192.168.40.21", "start": 2000, "end": 2060} for _ in range(2)),
    ]
    case = coming(*other, span=(0, 3 * HOUR))
    found = inbound_flood._crowded(case, np.arange(3))
    assert [bool(found[case.flows.inside[row]]) for row in (0, 1)] == [False, True]


def test_syns_open_connections_and_no_other_flags_or_protocols_do() -> None:
    tcp = [{"protocol": TCP, "flags": flags} for flags in (SYN, 0x12, 0x10, 0, -1, 0x03)]
    case = coming(*tcp, {"flags": SYN})
    assert half_open(case.flows).tolist() == [True, False, False, False, False, True, False]
    assert inbound_flood._suspicious(case.flows).tolist() == [True, False, False, True, True, True, True]


@pytest.mark.parametrize(
    ("start", "end", "touches"), [(0, 9.999, False), (0, 10, True), (19.999, 30, True), (20, 30, False)]
)
def test_a_record_touches_a_time_up_to_its_end(start: float, end: float, touches: bool) -> None:
    flows = coming({"start": start, "end": end}).flows
    assert inbound_flood._touching(flows, np.arange(1), ms(10), ms(20)).tolist() == ([0] if touches else [])


@pytest.mark.parametrize(("bins", "windows", "window_ms"), [(6, 1, 60_000), (360, 60, 60_000), (2, 3, 5_000)])
def test_the_grid_of_ten_seconds_covers_all_windows(bins: int, windows: int, window_ms: int) -> None:
    case: Any = SimpleNamespace(usage=SimpleNamespace(start_ms=5, windows=windows, window_ms=window_ms))
    grid = inbound_flood._grid(case)
    assert (grid.start_ms, grid.step_ms, grid.bins) == (5, 10_000, bins)


def test_packets_a_second_and_sources_a_minute() -> None:
    case = coming(
        {"start": 0, "end": 19.999, "packets": 400}, {"start": 30, "end": 30, "packets": 50},
        {"start": 40, "end": 41, "packets": 50, "outside": "203.0.113.2"}, {"start": 59.999, "end": 90, "packets": 1},
    )  # fmt: skip
    flows, grid = case.flows, inbound_flood._grid(case)
    rate = inbound_flood._packets_s(flows, grid, np.arange(4))
    assert rate[:6].tolist() == pytest.approx([20, 20, 0, 5, 5, 0], rel=1e-3, abs=1e-3)
    # Who sends in a minute is one of its sources in all of it, and beyond as far as its record goes.
    sources = inbound_flood._sources(flows, grid, np.arange(4))
    assert sources[:12].tolist() == [3] * 6 + [1] * 4 + [0] * 2


@pytest.mark.parametrize(
    ("packets", "named"),
    [((50, 50), (UDP, 7000, 53)), ((49, 51), (UDP, 7001, None)), ((50, 25, 25), (UDP, 7000, 53))],
)
def test_the_service_is_that_of_half_of_the_packets(packets: tuple[int, ...], named: tuple[Any, ...]) -> None:
    rows = [
        {"packets": many, "inside_port": 7000 + number, "port": 53 + number}
        for number, many in enumerate(packets)
    ]
    assert inbound_flood._service(coming(*rows).flows, np.arange(len(rows))) == named


def test_a_port_of_the_sources_is_named_over_udp_only_and_none_where_there_are_no_ports() -> None:
    def named(**row: Any) -> tuple[Any, ...]:
        return inbound_flood._service(coming(row).flows, np.arange(1))

    assert named(port=53) == (UDP, 7000, 53)
    assert named(port=53, protocol=TCP, flags=SYN) == (TCP, 7000, None)
    assert named(port=53, protocol=ICMP) == (ICMP, None, None)
    assert named(port=53, inside_port=0) == (UDP, 0, 53)
    assert named(port=53, inside_port=-1) == (UDP, None, 53)


def test_connections_that_were_refused_or_gone_on_with_are_not_half_open() -> None:
    syn = {"protocol": TCP, "flags": SYN}
    rows = [
        {**syn, "outside": "203.0.113.1"}, {**syn, "outside": "203.0.113.1"}, {**syn, "outside": "203.0.113.2"},
        {**syn, "outside": "203.0.113.3"}, {"outside": "203.0.113.4"},
        {**syn, "outside": "203.0.113.2", "way": UP, "flags": 0x14},
        {**syn, "outside": "203.0.113.3", "way": UP, "flags": 0x12},
    ]  # fmt: skip
    flows = coming(*rows).flows
    assert inbound_flood._stay_half_open(flows, np.arange(5)) == 2  # 1 once, and 3
    assert inbound_flood._stay_half_open(flows, np.array([4])) == 0


def test_of_the_finding_times_link_and_size() -> None:
    """A minute of which the records reach ten seconds beyond the spell on either side."""
    case = coming(
        {"start": 50, "end": 130, "packets": 800, "octets": 64_000},
        {"start": 70, "end": 110, "packets": 200, "octets": 36_000},
    )
    rate = np.array([10.0, 20.0, 30.4])
    for begin, end, times in ((60, 120, (60, 120)), (0, 300, (50, 130))):
        spell = inbound_flood._Spell(ms(begin), ms(end), np.arange(2), rate, 0.126, 5.0)
        found = inbound_flood._finding(case, spell)
        assert (found.start_ms, found.end_ms) == (ms(times[0]), ms(times[1]))
    assert (found.link, found.confidence) == ("fibre", "high")
    shown = ("sources", "mean_packets_s", "peak_packets_s", "usual_packets_s", "octets", "mean_packet_octets")
    assert [found.evidence[key] for key in shown] == [2, 20, 30, 0.13, 100_000, 100]
    assert inbound_flood.STEP_MS * 6 == inbound_flood.LEAST_MS == MINUTE * 1000
