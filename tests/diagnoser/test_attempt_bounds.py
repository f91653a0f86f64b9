"""Attempts by their own functions, on the smallest cases that tell them apart."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.signals import (
    attempts,
)
from flowdiag.diagnoser.signals.failovers import Failover
from tests.diagnoser.building import SYN, UDP, ms, rows_of

# Attempts -----------------------------------------------------------------------------------------------------------


def attempted(monkeypatch: pytest.MonkeyPatch, *starts: float, stays: Any = (), dead: Any = ()) -> list[int]:
    case = rows_of(
        *({"start": at, "end": at, "way": UP, "flags": SYN, "inside_port": n} for n, at in enumerate(starts))
    )
    ordinary = np.ones(len(starts), np.bool_)
    monkeypatch.setattr(attempts, "link_states", lambda case: SimpleNamespace(ordinary=ordinary))
    monkeypatch.setattr(attempts, "outages", lambda case: dead)
    monkeypatch.setattr(attempts, "failovers", lambda case: SimpleNamespace(episodes=stays))
    found: list[int] = attempts.connection_attempts(case).tolist()
    return found


def test_what_is_tried_within_a_minute_of_an_outage_or_a_switch_says_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    dead = [SimpleNamespace(start_ms=ms(600), end_ms=ms(900))]
    assert attempted(monkeypatch, 539.999, 540, 700, 960, 960.001, dead=dead) == [0, 4]
    stay = Failover(1, ms(600), ms(900), 30_000, 0.0, 0.0, False, False)
    assert attempted(monkeypatch, 509.999, 510, 600, 660, 660.001, 900, stays=[stay]) == [0, 4, 5]
    assert attempted(monkeypatch, 539.999, 540, stays=[replace(stay, gap_ms=None)]) == [0]


@pytest.mark.parametrize(
    ("row", "tried"),
    [
        ({}, True),
        ({"protocol": UDP, "port": 53}, True),
        ({"protocol": UDP, "port": 54}, False),
        ({"way": DOWN}, False),
        ({"opened_inside": 0}, False),
        ({"opened_inside": -1}, True),
    ],
)
def test_what_inside_hosts_open_is_an_attempt(
    monkeypatch: pytest.MonkeyPatch, row: dict[str, Any], tried: bool
) -> None:
    case = rows_of({"way": UP, **row})
    monkeypatch.setattr(attempts, "link_states", lambda case: SimpleNamespace(ordinary=np.ones(1, np.bool_)))
    monkeypatch.setattr(attempts, "outages", lambda case: ())
    monkeypatch.setattr(attempts, "failovers", lambda case: SimpleNamespace(episodes=()))
    assert len(attempts.connection_attempts(case)) == tried


@pytest.mark.parametrize(
    ("flags", "packets", "octets", "sampling", "bare"),
    [
        (0x02, 99, 9900, 1, True),
        (0x12, 1, 60, 1, False),
        (0x10, 1, 60, 1, False),
        (0, 1, 60, 1, False),
        (-1, 12, 960, 1, True),
        (-1, 13, 960, 1, False),
        (-1, 12, 961, 1, False),
        (-1, 24, 960, 2, True),
        (-1, 25, 960, 2, False),
    ],
)
def test_a_syn_is_told_by_its_flags_or_by_few_and_small_packets(
    flags: int, packets: float, octets: float, sampling: int, bare: bool
) -> None:
    case = rows_of({"flags": flags, "packets": packets, "octets": octets, "sampling": sampling})
    assert attempts.bare_syn(case.flows).tolist() == [bare]
    other = rows_of({"flags": flags, "packets": packets, "octets": octets, "protocol": UDP})
    assert attempts.bare_syn(other.flows).tolist() == [False]


@pytest.mark.parametrize(("replies", "poorly"), [(4, False), (3, True)])
def test_an_address_that_leaves_a_fifth_without_an_answer_is_looked_at(replies: int, poorly: bool) -> None:
    rows = [{"way": UP, "protocol": UDP, "port": 53} for _ in range(5)]
    rows += [{"protocol": UDP, "port": 53} for _ in range(replies)] + [
        {"port": 53},
        {"protocol": UDP, "port": 54},
    ]
    case = rows_of(*rows)
    assert attempts._poorly_answered(case.flows, case.flows.outside[:5]).tolist() == [poorly] * 5


@pytest.mark.parametrize(
    ("row", "answers"),
    [
        ({"flags": 0x12}, True),
        ({"flags": 0x14}, True),
        ({"flags": 0x04}, False),
        ({"flags": -1}, True),
        ({"flags": 0}, False),
        ({"flags": 0x12, "way": UP}, False),
        ({"flags": 0x12, "port": 80}, False),
        ({"flags": 0x12, "protocol": UDP}, False),
    ],
)
def test_who_answers_over_tcp(row: dict[str, Any], answers: bool) -> None:
    case = rows_of({"port": 443, **row}, {"outside": "203.0.113.77"})
    assert attempts._answers_by_tcp(case.flows)[case.flows.outside[0]] == answers


@pytest.mark.parametrize(
    ("row", "probes"),
    [
        ({"protocol": 1, "port": 2048, "packets": 12}, True),
        ({"protocol": 1, "port": 2048, "packets": 13}, False),
        ({"protocol": 1, "port": 0, "packets": 1}, False),
        ({"protocol": 58, "port": 128 << 8, "packets": 12}, True),
        ({"protocol": 58, "port": 129 << 8, "packets": 1}, False),
        ({"protocol": 58, "port": 2048, "packets": 1}, False),
        ({"protocol": 1, "port": 2048, "packets": 1, "opened_inside": 0}, True),
        ({"protocol": UDP, "packets": 12}, True),
        ({"protocol": UDP, "packets": 12, "opened_inside": 0}, False),
        ({"protocol": UDP, "packets": 12, "way": DOWN}, False),
        ({"flags": SYN, "packets": 99}, True),
    ],
)
def test_a_probe_only_touches(row: dict[str, Any], probes: bool) -> None:
    case = rows_of({"way": UP, "flags": 0, **row})
    assert attempts.probing(case.flows, np.ones(1, np.bool_)).tolist() == ([0] if probes else [])
    assert len(attempts.probing(case.flows, np.zeros(1, np.bool_))) == 0
