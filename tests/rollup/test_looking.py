"""Which hours are worth a look in the flows; sums by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from flowdiag.aggregator.counting import Decisions
from flowdiag.durations import HOUR_MS
from flowdiag.rollup.looking import Looks, where_to_look
from flowdiag.rollup.minute_sums import MinutesCarried, MinuteSums
from flowdiag.rollup.shape import HOURS, SERVICES
from flowdiag.site.profile import Keepalive, Link, Profile, Site

FIRST_HOUR = 490_000
HOURS_IN_ALL = 12
WINDOW = (FIRST_HOUR * HOUR_MS, (FIRST_HOUR + HOURS_IN_ALL) * HOUR_MS)
MINUTES = 60 * HOURS_IN_ALL
MBIT_MINUTE = 7_500_000  # octets
LAN, FIBRE, LTE = 1, 2, 3

PROFILE = Profile(
    site=Site(name="a site"),
    link=[
        Link(name="fibre", role="primary", interfaces=[FIBRE], down_mbps=100, up_mbps=20, framing="ip"),
        Link(
            name="lte", role="backup", interfaces=[LTE], down_mbps=20, up_mbps=5, framing="ip",
            keepalive=[Keepalive(destination="198.51.100.1", protocol="icmp", interval_s=10, packet_bytes=84)],
        ),
    ],
)  # fmt: skip


class QuietDay(dict[tuple[int, int], np.ndarray[Any, Any]]):
    """Octets a minute by ingress and egress interface: a quiet day, before anything is changed."""

    def __init__(self) -> None:
        wobble = 1 + 0.3 * np.sin(np.arange(MINUTES))
        super().__init__(
            {
                (FIBRE, LAN): 5 * MBIT_MINUTE * wobble,
                (LAN, FIBRE): 1 * MBIT_MINUTE * wobble,
                (LAN, LTE): np.full(MINUTES, 504.0),
                (LTE, LAN): np.full(MINUTES, 504.0),
            }
        )
        self.packets = {key: octets / (84 if LTE in key else 700) for key, octets in self.items()}
        self.peaks = {key: octets / 12 * 2 for key, octets in self.items()}
        self.hours = {"bare_syns": np.zeros(HOURS_IN_ALL), "most_destinations": np.full(HOURS_IN_ALL, 40.0)}
        self.records = 500

    def looks(self, most: int = 1 << 30, **more: Any) -> Looks:
        rows = [(key, minute) for key in self for minute in range(MINUTES) if self[key][minute] > 0]
        of = {
            name: np.array([values[key][minute] for key, minute in rows], np.float64)
            for name, values in (("octets", self), ("packets", self.packets), ("peak", self.peaks))
        }
        zero = np.zeros(len(rows))
        amounts = {
            name: of.get(name, zero)
            for name in (
                "octets", "packets", "padding_46", "padding_38", "flows", "peak",
                "least_octets", "least_packets", "most_octets", "most_packets",
            )
        }  # fmt: skip
        column = lambda values: np.array(values, np.int64)  # noqa: E731
        sums = MinuteSums(
            source=column([0] * len(rows)),
            minute=column([FIRST_HOUR * 60 + minute for _, minute in rows]),
            ingress=column([key[0] for key, _ in rows]),
            egress=column([key[1] for key, _ in rows]),
            metered=column([2] * len(rows)),
            dscp=column([0] * len(rows)),
            amounts=amounts,
        )
        counts = np.ones((1, 2, 2, 3), np.bool_)
        decisions = Decisions(False, True, counts, np.ones((1, 3, 2), np.bool_), 0)
        hours = pa.table(
            {
                "hour": FIRST_HOUR + np.arange(HOURS_IN_ALL),
                "records": np.full(HOURS_IN_ALL, self.records),
                "most_sources": np.zeros(HOURS_IN_ALL),
                **self.hours,
            }
        ).select(HOURS.names).cast(HOURS)  # fmt: skip
        from types import SimpleNamespace

        coverage: Any = SimpleNamespace(sampling=1.0, losses=(), restarts=())
        return where_to_look(
            MinutesCarried(sums, decisions, PROFILE), hours, coverage, PROFILE, WINDOW, most, **more
        )


def hour_of(looks: Looks) -> list[tuple[int, int]]:
    """[first, stop) of the hours to look at, from the window's first on."""
    return [(begin // HOUR_MS - FIRST_HOUR, -(-end // HOUR_MS) - FIRST_HOUR) for begin, end in looks.runs]


def test_a_quiet_day_needs_no_look() -> None:
    looks = QuietDay().looks()
    assert (looks.runs, looks.left) == ((), 0)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ((FIBRE, LAN), 60 * MBIT_MINUTE),  # nearly busy: 85 % of 70 % of the plan
        ((LAN, FIBRE), 12 * MBIT_MINUTE),
        ((FIBRE, LAN), 20 * MBIT_MINUTE),  # may stand at a level
        ((LAN, LTE), 50_000.0),  # more than its keepalives
        ((LTE, LAN), 50_000.0),
    ],
)
def test_a_minute_that_may_hold_a_finding_is_worth_a_look(key: tuple[int, int], value: float) -> None:
    site = QuietDay()
    site[key][6 * 60 + 30] = value
    assert hour_of(site.looks()) == [(6, 7)]


def test_a_burst_within_a_minute_is_worth_a_look() -> None:
    site = QuietDay()
    site.peaks[FIBRE, LAN][6 * 60 + 30] = 0.9 * 100 * MBIT_MINUTE / 12
    assert hour_of(site.looks()) == [(6, 7)]
    assert hour_of(site.looks(figures=True)) == [(6, 7)]
    site.peaks[FIBRE, LAN][6 * 60 + 30] = 0.89 * 100 * MBIT_MINUTE / 12
    assert hour_of(site.looks()) == []


def test_minutes_that_are_all_alike_are_worth_a_look() -> None:
    site = QuietDay()
    site[FIBRE, LAN][6 * 60 + 20 : 6 * 60 + 26] = 21 * MBIT_MINUTE
    assert hour_of(site.looks()) == [(6, 7)]


def test_silence_amid_traffic_is_worth_a_look_and_a_pause_of_keepalives_too() -> None:
    site = QuietDay()
    site[FIBRE, LAN][6 * 60 + 30] = 0
    site[LTE, LAN][6 * 60 + 30] = 0
    assert hour_of(site.looks()) == [(6, 7)]
    for key in ((LAN, LTE), (LTE, LAN)):
        site = QuietDay()
        site.packets[key][6 * 60 + 28 : 6 * 60 + 31] = 0
        assert hour_of(site.looks()) == [(6, 7)]


def test_attempts_are_worth_a_look_where_they_are_many() -> None:
    site = QuietDay()
    site.hours["bare_syns"][6] = 20
    assert hour_of(site.looks()) == [(6, 7)]
    site.hours["bare_syns"][6] = 19
    assert hour_of(site.looks()) == []
    site.records = 1000
    site.hours["bare_syns"][6] = 29  # under a thirtieth of the records
    assert hour_of(site.looks()) == []


def test_requests_without_answers_are_worth_a_look() -> None:
    def services(answers: int) -> pa.Table:
        rows = [
            {
                "hour": FIRST_HOUR + 6,
                "ingress": LAN,
                "egress": FIBRE,
                "flows": 20,
                "port": 53,
                "protocol": 17,
            },
            {
                "hour": FIRST_HOUR + 6,
                "ingress": FIBRE,
                "egress": LAN,
                "flows": answers,
                "port": 53,
                "protocol": 17,
            },
            # Nobody answers a log, and few requests tell nothing.
            {
                "hour": FIRST_HOUR + 2,
                "ingress": LAN,
                "egress": FIBRE,
                "flows": 500,
                "port": 514,
                "protocol": 17,
            },
            {
                "hour": FIRST_HOUR + 3,
                "ingress": LAN,
                "egress": FIBRE,
                "flows": 19,
                "port": 53,
                "protocol": 17,
            },
        ]
        filled = [{name: row.get(name, 0) for name in SERVICES.names} | {"application": None} for row in rows]
        return pa.Table.from_pylist(filled, SERVICES)

    assert hour_of(QuietDay().looks(services=services(17))) == [(6, 7)]
    assert hour_of(QuietDay().looks(services=services(18))) == []


def test_the_gravest_hours_go_first_and_the_others_are_counted() -> None:
    site = QuietDay()
    site[FIBRE, LAN][2 * 60 + 30] = 20 * MBIT_MINUTE
    site[FIBRE, LAN][9 * 60 + 30] = 95 * MBIT_MINUTE
    assert hour_of(site.looks()) == [(2, 3), (9, 10)]
    least = 3 * site.records  # the hour and one on both sides
    looks = site.looks(least)
    assert (hour_of(looks), looks.left) == ([(9, 10)], 1)
    looks = site.looks(least - 1)
    assert (hour_of(looks), looks.left) == ([], 2)


def test_hours_whose_flows_are_gone_are_counted_and_not_looked_at() -> None:
    site = QuietDay()
    site[FIBRE, LAN][2 * 60 + 30] = 95 * MBIT_MINUTE
    looks = site.looks(gone_days=[FIRST_HOUR // 24])  # its last eight hours are in the window
    assert (hour_of(looks), looks.left) == ([], 1)


def test_less_is_read_beside_an_hour_with_many_records() -> None:
    site = QuietDay()
    site[FIBRE, LAN][6 * 60 + 30] = 95 * MBIT_MINUTE
    assert site.looks().around_ms == HOUR_MS
    site.records = 30_000
    looks = site.looks(45_000)  # the hour and two quarters
    assert (hour_of(looks), looks.around_ms) == ([(6, 7)], HOUR_MS // 4)
    assert hour_of(site.looks(44_999)) == []
