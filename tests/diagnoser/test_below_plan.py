"""below-plan: a common ceiling, told from what only looks like one. Traffic is made by the rules named beside it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from scipy import stats

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.findings import below_plan, not_the_link
from flowdiag.diagnoser.signals.even_transfers import even_transfers
from flowdiag.diagnoser.signals.fair_shares import fair_shares
from flowdiag.diagnoser.signals.flat_top import STEADY, WAVERING, levels, pace, yielding
from flowdiag.diagnoser.signals.timeline import Grid
from flowdiag.site.profile import Profile
from flowdiag.text.sentences.below_plan import below_plan_client
from tests.diagnoser.building import ZERO_MS, Book, profile

MBPS_MINUTE = 7_500_000
BEGIN, END = 10, 40


def variable(site: Profile) -> Profile:
    """The same site on a line whose rate is only typical."""
    link = site.link[0].model_copy(update={"variable": True})
    return site.model_copy(update={"link": [link, *site.link[1:]]})


def shared(
    ceiling: float,
    *,
    hosts: int = 8,
    servers: int = 8,
    way: int = DOWN,
    wobble: float = 0.0,
    minutes: tuple[int, int] = (BEGIN, END),
    packet: float = 1000,
    anew: bool = False,
) -> Book:
    """Hosts with changing appetites divide a ceiling between them, minute by minute. anew: by other connections."""
    rng = np.random.default_rng(7)
    book = Book()
    book.browse(0, 60 * 60)
    for minute in range(*minutes):
        want = rng.exponential(1.0, hosts)
        total = ceiling * (1 + wobble * rng.standard_normal())
        for host, part in enumerate(total * want / want.sum()):
            octets = float(part) * MBPS_MINUTE
            book.row(
                minute * 60, minute * 60 + 60, way=way, octets=octets, packets=octets / packet,
                inside=f"192.168.40.{20 + host}", outside=f"203.0.113.{100 + host % servers}",
                inside_port=50_000 + (minute if anew else 0),
            )  # fmt: skip
    return book


def independent(rates: list[list[float]]) -> Book:
    """Each host runs at its own rates, minute by minute from BEGIN on, with a server of its own."""
    book = Book()
    book.browse(0, 60 * 60)
    for host, series in enumerate(rates):
        for minute, rate in enumerate(series):
            if rate > 0:
                start = (BEGIN + minute) * 60
                book.row(
                    start, start + 60, way=DOWN, octets=rate * MBPS_MINUTE,
                    inside=f"192.168.40.{20 + host}", outside=f"203.0.113.{100 + host}",
                )  # fmt: skip
    return book


def test_a_shared_ceiling_under_the_plan_is_found_with_its_level_and_times() -> None:
    found = below_plan.find(shared(40).case(profile(backup=False)))
    assert [(f.code, f.severity, f.link, f.direction) for f in found] == [
        ("below-plan", "critical", "fibre", "down")
    ]
    assert found[0].evidence["ceiling_mbps"] == pytest.approx(40.08, abs=0.1)  # the browsing adds 0.08
    assert found[0].evidence["share_of_plan"] == pytest.approx(0.40, abs=0.005)
    assert found[0].start_ms == ZERO_MS + BEGIN * 60_000
    assert found[0].end_ms == ZERO_MS + END * 60_000
    assert "of the plan's rate" in found[0].client


def test_the_client_hears_whose_traffic_met_the_ceiling() -> None:
    """Of two hosts one has a label; of eight none has a part worth naming. A share of 0.7 is most of it without a label."""
    (two,) = below_plan.find(shared(40, hosts=2, servers=2).case(profile(backup=False)))
    assert two.client.endswith("to be checked. Part of the traffic then was of your imaging archive.")
    (eight,) = below_plan.find(shared(40).case(profile(backup=False)))
    assert eight.client.endswith("has to be checked.")
    case = shared(40).case(profile(backup=False))
    for share, address, said in (
        (0.7, "192.168.40.20", " Most of the traffic then was of your imaging archive."),
        (0.7, "192.168.40.21", " Most of the traffic then was of one device."),
        (0.3, "192.168.40.21", ""),
    ):
        evidence = {"share_of_plan": 0.4, "hosts": [{"address": address, "label": None, "share": share}]}
        assert below_plan_client(case, 0, DOWN, [(0, 1)], evidence).endswith("has to be checked." + said)


def test_a_shaped_upload_is_found_too() -> None:
    found = below_plan.find(shared(8, way=UP).case(profile(backup=False)))
    assert [f.direction for f in found] == ["up"]


def test_a_ceiling_at_the_plan_is_a_full_link_and_not_this() -> None:
    assert below_plan.find(shared(96).case(profile(backup=False))) == []


def test_two_hosts_that_give_and_take_with_two_servers_are_enough_where_nothing_wavers() -> None:
    assert len(below_plan.find(shared(40, hosts=2, servers=2).case(profile(backup=False)))) == 1
    assert below_plan.find(shared(40, hosts=2, servers=1).case(profile(backup=False))) == []
    assert below_plan.find(shared(40, hosts=1, servers=1).case(profile(backup=False))) == []
    wavering = shared(40, hosts=2, servers=2, wobble=0.15)
    assert below_plan.find(wavering.case(profile(backup=False))) == []


def test_a_ceiling_over_transfers_of_one_record_is_found_where_nothing_wavers() -> None:
    assert len(below_plan.find(shared(40, anew=True).case(profile(backup=False)))) == 1
    wavering = shared(40, wobble=0.04, anew=True)
    assert below_plan.find(wavering.case(profile(backup=False))) == []
    short = shared(40, minutes=(10, 22), anew=True)
    assert below_plan.find(short.case(profile(backup=False))) == []


def edged(ceiling: float, above: float, minutes: int) -> Book:
    """A ceiling that wavers a little, with some minutes above it right before, as records of two minutes blur it."""
    book = shared(ceiling, wobble=0.04)
    for minute in range(BEGIN - minutes, BEGIN):
        book.row(minute * 60, minute * 60 + 60, way=DOWN, octets=above * MBPS_MINUTE, outside="203.0.113.99")
    return book


def test_what_records_blur_at_the_edge_of_a_ceiling_does_not_speak_against_it() -> None:
    site = profile(backup=False)
    assert len(below_plan.find(edged(40, 45, 2).case(site, resolution_s=120))) == 1
    assert below_plan.find(edged(40, 45, 5).case(site, resolution_s=120)) == []
    assert below_plan.find(edged(40, 45, 3).case(site, resolution_s=60)) == []


def test_a_variable_line_needs_a_lower_ceiling_and_is_told_in_other_words() -> None:
    site = variable(profile(backup=False))
    assert below_plan.find(shared(70, wobble=0.05).case(site)) == []
    found = below_plan.find(shared(30, wobble=0.05).case(site))
    assert len(found) == 1
    assert "typical rate" in found[0].client
    assert "pay for" not in found[0].client


def test_streams_at_their_own_rate_are_no_ceiling() -> None:
    assert below_plan.find(independent([[4.5] * 30 for _ in range(10)]).case(profile(backup=False))) == []


def test_streams_that_come_and_go_are_no_ceiling() -> None:
    series = [[0.0] * (host % 4) + [4.5] * (28 - host % 5) for host in range(10)]
    case = independent(series).case(profile(backup=False))
    assert below_plan.find(case) == []
    assert even_transfers(case) == []


def test_transfers_that_divide_a_level_equally_from_begin_to_end_leave_a_doubt() -> None:
    case = independent([[4.5] * 30 for _ in range(10)]).case(profile(backup=False))
    (even,) = even_transfers(case)
    assert (even.link, even.direction, even.transfers) == (0, DOWN, 10)
    assert even.rate_mbps == pytest.approx(45.08, abs=0.1)  # the browsing adds 0.08
    assert even.start_ms == ZERO_MS + BEGIN * 60_000
    assert even.end_ms == ZERO_MS + (BEGIN + 30) * 60_000
    said = not_the_link.verdict(case)
    assert said.confidence == "medium"
    assert any("divided equally by 10 transfers" in reason for reason in said.reasons)
    assert said.next_steps[0].text.startswith("Test the line's rate")


def test_acknowledgements_of_such_transfers_leave_none() -> None:
    book = independent([[0.0]])
    for host in range(10):
        for minute in range(BEGIN, END):
            book.row(minute * 60, minute * 60 + 60, way=UP, octets=MBPS_MINUTE, packets=MBPS_MINUTE / 52,
                     inside=f"192.168.40.{20 + host}", outside=f"203.0.113.{100 + host}")  # fmt: skip
    assert even_transfers(book.case(profile(backup=False))) == []


def test_unequal_few_or_short_transfers_leave_no_such_doubt() -> None:
    for series in ([[3.0 + 0.3 * host] * 30 for host in range(10)], [[15.0] * 30] * 3, [[4.5] * 12] * 10):
        assert even_transfers(independent(series).case(profile(backup=False))) == []


def test_one_slow_server_is_no_ceiling_even_when_many_hosts_share_it() -> None:
    assert below_plan.find(shared(40, servers=1).case(profile(backup=False))) == []


def test_one_slow_device_is_no_ceiling_even_with_many_servers() -> None:
    book = shared(40, hosts=8)
    one = book.place("192.168.40.20")
    book.rows = [(*row[:6], one, *row[7:]) for row in book.rows]
    assert below_plan.find(book.case(profile(backup=False))) == []


def test_acknowledgements_follow_the_download_and_are_no_ceiling() -> None:
    assert below_plan.find(shared(5, way=UP, packet=52).case(profile(backup=False))) == []


def test_a_level_of_five_minutes_is_too_short() -> None:
    assert below_plan.find(shared(40, minutes=(10, 15)).case(profile(backup=False))) == []


def test_a_level_under_higher_traffic_nearby_is_no_ceiling_unless_flat_and_long() -> None:
    book = shared(40, wobble=0.04, minutes=(10, 24))
    for minute in (25, 26, 27):
        book.row(minute * 60, minute * 60 + 60, way=DOWN, octets=80 * MBPS_MINUTE)
    assert below_plan.find(book.case(profile(backup=False))) == []


def test_a_download_that_a_full_upload_holds_down_is_not_told() -> None:
    book = shared(40)
    for minute in range(BEGIN, END):
        book.row(minute * 60, minute * 60 + 60, way=UP, octets=19.5 * MBPS_MINUTE)
    assert [f for f in below_plan.find(book.case(profile(backup=False))) if f.direction == "down"] == []


@pytest.mark.parametrize("seed", range(12))
def test_independent_demand_of_many_hosts_is_never_a_ceiling(seed: int) -> None:
    """Eight hours of twenty hosts, each with its own slowly changing demand (gamma with memory)."""
    rng = np.random.default_rng(seed)
    rates = rng.gamma(8.0, 0.2, (20, 480))
    for minute in range(1, 480):
        rates[:, minute] = 0.8 * rates[:, minute - 1] + 0.2 * rates[:, minute]
    assert below_plan.find(independent(rates.tolist()).case(profile(backup=False))) == []


def test_variances_of_independent_parts_add_up_and_those_under_a_ceiling_do_not() -> None:
    """Two hosts, 1 and 3 or 3 and 1 Mbit/s in turn: the total never varies. Alone in turn with 0 and 2: it does."""
    book = Book()
    for minute in range(10):
        for host in (0, 1):
            rate = 3 if (minute + host) % 2 else 1
            book.row(
                minute * 60, minute * 60 + 60, way=DOWN, octets=rate * MBPS_MINUTE,
                inside=f"192.168.40.{20 + host}",
            )  # fmt: skip
    flows = book.case(profile(backup=False)).flows
    rows = np.arange(len(flows))
    grid = Grid(ZERO_MS, 60_000, 10)
    found = yielding(flows, rows, flows.inside, grid)
    assert found.ratio == pytest.approx(0.0, abs=1e-9)
    assert found.spread == pytest.approx(np.sqrt(2) / 4)  # two variances of 1 about a mean of 4
    assert found.parts == pytest.approx(2.0)
    assert found.active == pytest.approx(2.0)
    alone = rows[flows.inside == 0]
    assert yielding(flows, alone, flows.inside[alone], grid).ratio == pytest.approx(1.0)


def test_the_pace_of_a_conversation_is_the_deviation_of_its_rates_over_their_mean() -> None:
    """1, 2 and 3 Mbit/s in turn: the deviation is that of scipy's variation; a steady stream beside it halves it."""
    book = Book()
    for minute, rate in enumerate((1, 2, 3)):
        book.row(minute * 60, minute * 60 + 60, way=DOWN, octets=rate * MBPS_MINUTE)
    flows = book.case(profile(backup=False)).flows
    assert pace(flows, np.arange(3)) == pytest.approx(stats.variation([1, 2, 3]))
    for minute in range(3):
        book.row(minute * 60, minute * 60 + 60, way=DOWN, octets=2 * MBPS_MINUTE, outside="203.0.113.10")
    flows = book.case(profile(backup=False)).flows
    assert pace(flows, np.arange(6)) == pytest.approx(stats.variation([1, 2, 3]) / 2)


def test_conversations_of_one_record_tell_no_pace() -> None:
    book = Book()
    for minute in range(6):
        book.row(minute * 60, minute * 60 + 60, way=DOWN, octets=MBPS_MINUTE, inside_port=50_000 + minute)
    assert pace(book.case(profile(backup=False)).flows, np.arange(6)) is None


def streams_of_one_record(rates: Sequence[float]) -> Book:
    """Of twelve hosts always eight have a stream for three minutes, one record each, at rates that take turns."""
    book = independent([[0.0]])
    for start in range(0, 30, 3):
        for place in range(8):
            host, rate = (start // 3 + place) % 12, rates[(start // 3 + place) % len(rates)]
            begin = (BEGIN + start) * 60
            book.row(
                begin, begin + 180, way=DOWN, octets=3 * rate * MBPS_MINUTE, inside=f"192.168.40.{50 + host}",
                outside=f"203.0.113.{50 + host}", inside_port=50_000 + start,
            )  # fmt: skip
    return book


def test_streams_of_one_record_under_a_limit_are_no_ceiling() -> None:
    case = streams_of_one_record((4.0, 6.0)).case(profile(backup=False))
    level = next(level for level in levels(case.usage.mbps(0, 0), STEADY) if level.rate > 39)
    assert level.flatness < STEADY.flatness  # 40 Mbit/s of 100 all along
    rows = np.flatnonzero(case.flows.octets > MBPS_MINUTE)
    grid = Grid(ZERO_MS + BEGIN * 60_000, 60_000, 30)
    assert yielding(case.flows, rows, case.flows.inside[rows], grid).ratio < 0.05
    assert below_plan.find(case) == []


def test_a_thousand_small_transfers_are_looked_at_until_they_make_most_of_the_octets() -> None:
    """10 at a time for half an hour, 20 for another, of two minutes each: a ceiling of 40 Mbit/s divided equally."""
    book = Book()
    for second in range(0, 3600, 120):
        together = 10 if second < 1800 else 20
        octets = 120 * 40 / 8 * 1e6 / together
        for place in range(together):
            book.row(
                second, second + 119, way=DOWN, octets=octets, inside=f"192.168.40.{50 + place}",
                outside=f"203.0.113.{50 + place}", inside_port=50_000 + second,
            )  # fmt: skip
    flows = book.case(profile(backup=False)).flows
    shares = fair_shares(flows, np.arange(len(flows)))
    assert shares is not None
    assert shares.transfers >= 400  # each has less than half a per cent of the octets
    assert shares.ceiling * 8 / 1e6 == pytest.approx(40, rel=0.01)
    assert shares.uneven < 0.01 < 0.3 < shares.own_pace


def test_streams_under_a_limit_on_their_number_are_no_ceiling() -> None:
    """Of twelve hosts always eight have a stream of 5 Mbit/s for three minutes: who ends makes room for another."""
    series = [[5.0 if (minute // 3 + host) % 12 < 8 else 0.0 for minute in range(30)] for host in range(12)]
    case = independent(series).case(profile(backup=False))
    flows = case.flows
    rows = np.flatnonzero(flows.octets > MBPS_MINUTE)
    grid = Grid(ZERO_MS + BEGIN * 60_000, 60_000, 30)
    assert (
        yielding(flows, rows, flows.inside[rows], grid).ratio < 0.01
    )  # the sum alone would look like a ceiling
    assert below_plan.find(case) == []


def test_a_level_reaches_as_far_as_its_windows_do() -> None:
    rate = np.array([5.0] * 10 + [40.0] * 12 + [5.0] * 10)
    level = next(level for level in levels(rate, STEADY) if level.rate == 40.0)
    assert (level.first, level.stop, level.flatness) == (10, 22, 0.0)


def test_the_flatness_of_a_level_in_two_steps_is_not_zero() -> None:
    """40 and 31 in turn: a median deviation would call that flat. (40 - 31) / 2.5631 / 31 = 11%."""
    rate = np.array([5.0] * 12 + [40.0, 31.0] * 8 + [5.0] * 12)
    level = next(level for level in levels(rate, WAVERING) if level.rate > 20)
    assert level.flatness > STEADY.flatness
    assert level.flatness == pytest.approx(9 / 2.5631 / level.rate, rel=0.01)
