"""Calls, scans and services by their own functions, on the smallest cases that tell them apart."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.services import REQUEST_PORTS
from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.findings import (
    realtime_contention,
    unanswered_connections,
)
from flowdiag.diagnoser.signals import calls, scans
from flowdiag.diagnoser.signals.attempts import begins_attempt, is_everyday, is_request
from flowdiag.diagnoser.signals.episodes import Episode
from tests.diagnoser.building import ICMP, SYN, TCP, UDP, Book, ms, profile

HOUR = 3600
SITE = profile(backup=False)


# Calls --------------------------------------------------------------------------------------------------------------


def of_calls(*rows: dict[str, Any]) -> Case:
    book = Book()
    for row in rows:
        how: dict[str, Any] = {
            "way": UP,
            "protocol": UDP,
            "octets": 20_000,
            "packets": 100,
            "port": 20_000,
            **row,
        }
        book.row(how.pop("start", 0), how.pop("end", 60), **how)
    return book.case(SITE, span=(0, HOUR))


def test_ports_of_other_services_are_never_calls() -> None:
    """Ports as IANA has them: names, leases, files, web, time, management, keys, tunnels, file systems, flows."""
    never = [
        53, 67, 68, 69, 80, 123, 137, 138, 161, 162, 443, 500, 514, 1194, 1701, 1812, 1813, 2049, 2055, 4500, 4739,
        4789, 5353, 6343, 9995, 9996, 51820,
    ]  # fmt: skip
    others = sorted({port + step for port in never for step in (-1, 1)} - set(never))
    case = of_calls(*({"port": port} for port in (*never, *others, -1, 65_535)))
    found = calls._candidates(case, (0,), UP, (ms(0), ms(60)))
    assert sorted(case.flows.outside_port[found].tolist()) == [-1, *others, 65_535]
    inside = of_calls({"inside_port": 443}, {"inside_port": 444})
    assert calls._candidates(inside, (0,), UP, (ms(0), ms(60))).tolist() == [1]


@pytest.mark.parametrize(
    ("row", "candidate"),
    [
        ({}, True),
        ({"octets": 6000}, True),  # 60 octets a packet
        ({"octets": 5999}, False),
        ({"octets": 130_000}, True),  # 1,300
        ({"octets": 130_001}, False),
        ({"protocol": TCP}, False),
        ({"way": DOWN}, False),
        ({"link": None}, False),
        ({"start": 100, "end": 120}, False),
        ({"start": 99.999, "end": 120}, True),
        ({"start": 10, "end": 20}, False),
        ({"start": 10, "end": 20.001}, True),
    ],
)
def test_a_call_is_looked_for_among_small_datagrams_of_the_time(row: dict[str, Any], candidate: bool) -> None:
    found = calls._candidates(of_calls(row), (0,), UP, (ms(20), ms(100)))
    assert found.tolist() == ([0] if candidate else [])


@pytest.mark.parametrize(
    ("packets", "lasts", "port", "steady"),
    [
        (900, 60, 20_000, True),  # fifteen a second
        (899, 60, 20_000, False),
        (60_000, 60, 20_000, True),
        (60_001, 60, 20_000, False),
        (300, 60, 5060, True),  # five, where the port is one of calls
        (299, 60, 5060, False),
        (899, 60, 5062, False),
        (900, 45, 20_000, True),
        (900, 44.999, 20_000, False),
    ],
)
def test_a_call_is_steady_for_three_quarters_of_a_minute(
    packets: float, lasts: float, port: int, steady: bool
) -> None:
    case = of_calls({"packets": packets, "end": lasts, "port": port})
    keys = np.array([7], np.uint64)
    named = np.zeros(1, np.bool_)
    found = calls._steady(case, np.array([0]), keys, (ms(0), ms(600)), named, 45_000)
    assert found.tolist() == ([7] if steady else [])
    none = calls._steady(case, np.zeros(0, np.intp), keys[:0], (ms(0), ms(600)), named, 45_000)
    assert len(none) == 0


def test_the_evidence_of_calls() -> None:
    case = of_calls({"start": 100, "end": 200}, {"start": 150, "end": 400, "port": 20_001})
    calls = realtime_contention._Calls(np.arange(2), np.array([500_000.0, 250_000.0]), 2, True, 0.25)
    whole, part = Episode(0, UP, ((0, 10),)), Episode(0, UP, ((2, 5),))
    found = realtime_contention._finding(case, whole, calls)
    assert (found.start_ms, found.end_ms, found.confidence) == (ms(100), ms(400), "high")
    # 750,000 octets in 300 s.
    assert [found.evidence[key] for key in ("calls", "mean_mbps", "marked_share", "capacity_mbps")] == [
        2,
        0.02,
        0.25,
        20.0,
    ]
    found = realtime_contention._finding(case, part, calls)
    assert (found.start_ms, found.end_ms) == (ms(120), ms(300))
    for worse, confidence in ((replace(calls, named=False), "medium"), (replace(calls, marked=None), "low")):
        assert realtime_contention._finding(case, whole, worse).confidence == confidence


# Scans --------------------------------------------------------------------------------------------------------------


def tries(*rows: dict[str, Any], answered: bool = True) -> Case:
    """SYNs to places of their own; something else is answered, so that the export shows answers."""
    book = Book()
    for number, row in enumerate(rows):
        how: dict[str, Any] = {
            "way": UP, "octets": 60, "packets": 1, "flags": SYN, "port": 8291, "inside_port": 9000 + number,
            "outside": f"198.18.{number // 250}.{1 + number % 250}", "inside": "192.168.40.66", **row,
        }  # fmt: skip
        start = how.pop("start", number)
        book.row(start, how.pop("end", start), **how)
    if answered:
        book.row(0, 1, way=DOWN, octets=1000, inside="192.168.40.99")
    return book.case(SITE, span=(0, 2 * HOUR))


def host(case: Case, count: int, least: int = 10) -> Any:
    rows = np.arange(count)
    return scans._host(case, rows, int(case.flows.inside[0]), least)


@pytest.mark.parametrize(
    ("times", "reached"),
    [
        (list(range(10)), True),
        (list(range(9)), False),
        ([60 * n for n in range(10)], True),
        ([144 * n for n in range(25)], True),  # 25 in an hour
        ([150 * n for n in range(24)], False),
        ([], False),
    ],
)
def test_a_scan_reaches_ten_in_ten_minutes_or_twenty_five_in_an_hour(
    times: list[float], reached: bool
) -> None:
    case = tries(*({"start": at} for at in times))
    assert scans._reaches_many(case.flows, np.arange(len(times)), 10) == reached


def test_twice_the_most_rows_of_a_slot_are_no_fewer_than_its_addresses() -> None:
    case = tries(*({"start": at} for at in (0, 599.999, 600, 700, 1200)))
    assert scans._most_rows(case.flows, np.arange(5), 600_000) == 4
    assert scans._most_rows(case.flows, np.arange(0), 600_000) == 0


def test_a_scanning_host_is_told_with_its_ports() -> None:
    rows = [{}] * 20 + [{"port": 23, "outside": f"198.18.9.{n}"} for n in range(2)] + [{"port": 24}]
    found = host(tries(*rows), len(rows))
    # 24 has less than a tenth of the foremost.
    assert (found.attempts, found.addresses, found.ports, found.unanswered) == (
        22,
        22,
        ((TCP, 23), (TCP, 8291)),
        1.0,
    )
    assert found.most_in_ten_minutes == 22
    assert found.rows.tolist() == list(range(22))
    pings = host(tries(*[{"protocol": ICMP, "port": 2048, "flags": 0}] * 12), 12)
    assert pings.ports == ((ICMP, 0),)


@pytest.mark.parametrize(("ports", "found"), [(32, True), (33, False)])
def test_sixteen_ports_have_half_of_what_a_scan_tries(ports: int, found: bool) -> None:
    case = tries(*({"port": 2000 + number} for number in range(ports)))
    assert (host(case, ports) is not None) == found


@pytest.mark.parametrize(("each", "found"), [(3, True), (4, False)])
def test_a_scan_tries_an_address_three_times_at_most(each: int, found: bool) -> None:
    rows = [
        {"outside": f"198.18.0.{1 + number // each}", "start": number / each} for number in range(12 * each)
    ]
    assert (host(tries(*rows), len(rows)) is not None) == found


@pytest.mark.parametrize(("others", "found", "share"), [(12, True, 0.5), (13, False, 0.0)])
def test_half_of_what_a_scan_sends_to_its_ports_is_in_vain(others: int, found: bool, share: float) -> None:
    rows: list[dict[str, Any]] = [{} for _ in range(12)]
    rows += [{"outside": f"203.0.113.{n}", "flags": 0x1B, "start": 5} for n in range(others)]
    # Of other ports, before and after, and of other hosts nothing counts.
    rows += [
        {"outside": "203.0.113.201", "port": 80},
        {"outside": "203.0.113.202", "inside": "192.168.40.67", "start": 5},
    ]
    rows += [{"outside": "203.0.113.203", "start": -1}, {"outside": "203.0.113.204", "start": 11.001}]
    rows += [
        {"outside": "203.0.113.205", "start": 5, "link": None},
        {"outside": "203.0.113.206", "start": 5, "way": DOWN},
    ]
    scan = host(tries(*rows), 12)
    assert (scan is not None) == found
    assert scan is None or scan.unanswered == share


def test_in_a_one_way_export_only_flags_tell_what_was_in_vain() -> None:
    rows: list[dict[str, Any]] = [{}, {"flags": -1}, {"protocol": UDP, "flags": 0}, {"flags": 0}]
    one_way = tries(*rows, answered=False)
    assert scans._in_vain(one_way, np.arange(4)).tolist() == [0, 3]
    answer = {**rows[0], "way": DOWN, "outside": "198.18.0.1", "inside_port": 9000, "flags": 0x12}
    both = tries(*rows, answer)
    assert scans._in_vain(both, np.arange(4)).tolist() == [1, 2, 3]
    refusal = tries(*rows, {**answer, "flags": 0x14})
    assert scans._in_vain(refusal, np.arange(4)).tolist() == [0, 1, 2, 3]


# Services -----------------------------------------------------------------------------------------------------------


def test_everyday_services() -> None:
    """Well-known ports (RFC 6335) and those of tunnels, databases, desktops, calls, chat and web proxies."""
    daily = [
        1194, 1433, 1645, 1812, 1813, 3306, 3389, 3478, 4500, 5060, 5061, 5222, 5432, 8080, 8443, 51820,
    ]  # fmt: skip
    near = {port + step for port in daily for step in (-1, 0, 1)} | {1023, 1024, 0, -1, 65_535}
    assert sorted(port for port in near if is_everyday(port)) == sorted([*daily, 0, 1023])


def test_requests_that_want_an_answer() -> None:
    """Names, Kerberos, time, SNMP, CLDAP, QUIC, IKE, OpenVPN, RADIUS, STUN, SIP, WireGuard."""
    wanted = [53, 88, 123, 161, 389, 443, 500, 1194, 1645, 1812, 1813, 3478, 4500, 5060, 51820]
    assert sorted(REQUEST_PORTS) == wanted
    near = sorted({port + step for port in wanted for step in (-1, 0, 1)} | {-1, 0, 65_535})
    case = tries(*({"port": port, "protocol": UDP} for port in near), {"port": 53, "protocol": TCP})
    asked = is_request(case.flows)[: len(near) + 1]
    assert [port for port, one in zip([*near, 53], asked.tolist(), strict=True) if one] == wanted


@pytest.mark.parametrize(
    ("protocol", "times", "begins"),
    [
        (TCP, [0, 179.999, 180], [True, False, True]),  # three minutes
        (UDP, [0, 59.999, 60], [True, False, True]),
        (TCP, [0, 100, 200, 300], [True, False, True, False]),
        (TCP, [300, 0, 100], [True, True, False]),
    ],
)
def test_an_attempt_is_one_as_long_as_it_is_sent_again(
    protocol: int, times: list[float], begins: list[bool]
) -> None:
    case = tries(
        *({"start": at, "protocol": protocol, "inside_port": 9000, "outside": "198.18.0.1"} for at in times)
    )
    assert begins_attempt(case.flows, np.arange(len(times))).tolist() == begins


def spells(fails: list[int], sound: list[int]) -> list[tuple[int, int]]:
    """[first, stop) minutes of the spells, where so many failed and so many succeeded in each minute."""
    rows = [{"start": 60 * m + n / 100} for m, many in enumerate(fails) for n in range(many)]
    rows += [{"start": 60 * m + 30 + n / 100} for m, many in enumerate(sound) for n in range(many)]
    case, failed = tries(*rows), sum(fails)
    found = unanswered_connections._spells(case, np.arange(failed), np.arange(len(rows)))
    return [((begin - ms(0)) // 60_000, (end - ms(0)) // 60_000) for begin, end in found]


@pytest.mark.parametrize(
    ("fails", "sound", "found"),
    [
        ([10, 10, 10], [], [(0, 3)]),
        ([10, 10, 9], [], []),  # thirty in vain
        ([15, 15], [], []),  # three minutes
        ([10, 0, 0, 0, 0, 10, 10], [], [(0, 7)]),
        ([10, 10, 0, 0, 0, 0, 0, 10], [], [(0, 8)]),  # five minutes without are bridged
        ([10, 10, 0, 0, 0, 0, 0, 0, 10], [], []),
        ([10, 10, 10], [10, 10, 10], [(0, 3)]),  # half of them
        ([10, 10, 10], [11, 10, 10], []),
        ([10, 10, 10, 0], [0, 0, 0, 40], [(0, 3)]),
        ([10, 10, 0, 10], [0, 0, 31, 0], []),
        ([10, 10, 0, 10], [0, 0, 30, 0], [(0, 4)]),
    ],
)
def test_a_service_fails_for_three_minutes_and_half_of_the_time(
    fails: list[int], sound: list[int], found: list[tuple[int, int]]
) -> None:
    assert spells(fails, sound) == found


@pytest.mark.parametrize(
    ("hosts", "failed", "others", "start", "by_destination", "matters"),
    [
        (2, 5, 95, 0, False, True),  # a twentieth of all, by two hosts
        (2, 5, 96, 0, False, False),
        (1, 20, 80, 300, True, True),  # a fifth, of one host, from five minutes after the begin on
        (1, 20, 81, 300, True, False),
        (1, 20, 20, 299.999, True, True),  # else half
        (1, 20, 21, 299.999, True, False),
        (1, 20, 0, 300, False, False),
    ],
)
def test_what_fails_matters_by_its_part_of_all_attempts(
    hosts: int, failed: int, others: int, start: float, by_destination: bool, matters: bool
) -> None:
    rows = [{"inside": f"192.168.40.{66 + n % hosts}"} for n in range(failed)] + [{} for _ in range(others)]
    case = tries(*rows)
    told = unanswered_connections._matters(
        case, np.arange(failed), np.arange(len(rows)), ms(start), by_destination
    )
    assert told == matters


def test_rows_that_carry_an_attempt_on_are_none_of_their_own() -> None:
    rows = [{} for _ in range(5)] + [
        {"outside": "203.0.113.1", "inside_port": 1, "start": n} for n in range(40)
    ]
    case = tries(*rows)
    assert unanswered_connections._make(case, np.arange(5), 5 / 6, np.arange(45))
    assert not unanswered_connections._make(case, np.arange(5), 0.84, np.arange(45))
    assert unanswered_connections._make(case, np.arange(0), 0.0, np.arange(0))


def test_the_evidence_of_a_service_that_fails() -> None:
    rows = [
        {"inside": f"192.168.40.{66 + n % 2}", "outside": f"198.18.0.{1 + n % 4}", "end": n + 3}
        for n in range(8)
    ]
    case = tries(*rows, {})
    for of, share, confidence in ((10, 0.8, "high"), (11, 0.7273, "medium")):
        group = unanswered_connections._Group(8291, TCP, None, np.arange(8), np.arange(of), ms(0), ms(60))
        found = unanswered_connections._finding(case, group)
        shown = (
            "attempts",
            "unanswered",
            "unanswered_share",
            "hosts_affected",
            "places",
            "port",
            "protocol",
            "link",
        )
        assert [found.evidence[key] for key in shown] == [of, 8, share, 2, 4, 8291, TCP, "fibre"]
        assert (found.confidence, found.start_ms, found.end_ms) == (confidence, ms(0), ms(10))
