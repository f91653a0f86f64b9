"""A roll-up's sums are those of the flows, to the octet, by the reckoning of another database (duckdb)."""

from __future__ import annotations

import pytest

from flowdiag.rollup import making
from tests.rollup.drawn import Outside, drawn, rolled

SUMS = "sum(octets), sum(packets), sum(padding_46), sum(padding_38), sum(flows)"
FLOW_SUMS = "sum(octets), sum(packets), sum(p46), sum(p38), count(*)"


AT_ONCE, IN_MANY_PARTS = making.WAITING_ROWS, 5_000


@pytest.fixture(scope="module", params=[AT_ONCE, IN_MANY_PARTS])
def outside(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Outside:
    """A day whose records are not quite in order, summed up together, and in parts that share hours and minutes."""
    table = drawn(30_000)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(making, "WAITING_ROWS", request.param)
        rollup = rolled(table, piece=7_000 if request.param == AT_ONCE else 1_900)
    return Outside(tmp_path_factory.mktemp("rollup"), table, rollup, closely=request.param == AT_ONCE)


def test_minutes_add_up_by_kind_of_record(outside: Outside) -> None:
    kinds = "domain, ingress, egress, metered"
    expected = outside.ask(f"select {kinds}, code, {FLOW_SUMS} from flows group by all order by all")
    assert len(expected) > 50
    assert outside.ask(f"select {kinds}, dscp, {SUMS} from minutes group by all order by all") == expected


def test_services_add_up_by_hour_and_kind_of_record(outside: Outside) -> None:
    kinds = "hour, domain, ingress, egress, metered"
    expected = outside.ask(f"select {kinds}, {FLOW_SUMS} from flows group by all order by all")
    both = "(select * exclude (keys, error) from folded where kind = 'services' union all by name select * from services)"
    assert outside.ask(f"select {kinds}, {SUMS} from {both} group by all order by all") == expected


def test_hosts_at_both_ends_add_up(outside: Outside) -> None:
    kinds = "hour, scope, domain, ingress, egress, metered"
    scope = "(coalesce(hex({}) like '00000000000000000000FFFF0A%', false))::int"
    of_flows = (
        f"(select *, {scope.format('src_address')} + 2 * {scope.format('dst_address')} as scope from flows)"
    )
    expected = outside.ask(f"select {kinds}, {FLOW_SUMS} from {of_flows} group by all order by all")
    both = "(select * exclude (keys, error) from folded where kind = 'hosts' union all by name select * from hosts)"
    found = outside.ask(f"select {kinds}, {SUMS} from {both} group by all order by all")
    assert found == [(*row[:6], *(2 * value for value in row[6:])) for row in expected]


def test_no_host_has_lost_more_than_its_error(outside: Outside) -> None:
    kinds = "hour, domain, ingress, egress, metered, scope"
    scope = "(coalesce(hex({}) like '00000000000000000000FFFF0A%', false))::int"
    of_flows = (
        f"(select *, {scope.format('src_address')} + 2 * {scope.format('dst_address')} as scope from flows)"
    )
    found = outside.ask(f"""
        with ends as (
            select {kinds}, 0 as "end", coalesce(src_address, ''::blob) as address, octets from {of_flows}
            union all select {kinds}, 1, coalesce(dst_address, ''::blob), octets from {of_flows}
        ), exact as (select {kinds}, "end", address, sum(octets) as octets from ends group by all),
        kept as (select * replace (coalesce(address, ''::blob) as address) from hosts)
        select exact.octets - coalesce(kept.octets, 0), coalesce(folded.error, 0)
        from exact left join kept using ({kinds}, "end", address)
            left join (from folded where kind = 'hosts') as folded using ({kinds})""")
    assert len(found) > 20_000
    assert all(0 <= lost <= error for lost, error in found)
    assert sum(lost > 0 for lost, _ in found) > 1_000


def test_conversations_add_up_with_those_that_were_folded(outside: Outside) -> None:
    kinds = "hour, domain, ingress_interface, egress_interface, direction, dscp, protocol, sampling"
    expected = outside.ask(f"select {kinds}, {FLOW_SUMS} from flows group by all order by all")
    assert outside.ask(f"select {kinds}, {SUMS} from conversations group by all order by all") == expected
    assert outside.ask("select count(*) > 100 from conversations where folded") == [(True,)]


def test_what_is_folded_of_conversations_is_said_twice_and_alike(outside: Outside) -> None:
    kinds = "hour, domain, coalesce(ingress_interface, -1)::bigint, coalesce(direction, 2)"
    by_rows = f"select {kinds}, {SUMS} from conversations where folded group by all order by all"
    by_kind = (
        f"select hour, domain, ingress, metered, {SUMS} from folded where kind = 'conversations' group by all"
    )
    assert outside.ask(by_rows) == outside.ask(f"{by_kind} order by all")


def test_hours_count_records_and_bare_syns(outside: Outside) -> None:
    bare = "sum((tcp_flags & 18 = 2 and protocol = 6)::int)"
    expected = outside.ask(
        f"select hour, count(*), coalesce({bare}, 0) from flows group by hour order by hour"
    )
    assert outside.ask("select hour, records, bare_syns from hours order by hour") == expected


def test_hours_bound_the_most_partners_closely(outside: Outside) -> None:
    partners = """
        select hour, max(n) from (select hour, {0}, count(distinct coalesce({1}, 'x'::blob)) as n from flows group by all)
        group by hour order by hour"""
    exact = zip(
        outside.ask(partners.format("src_address", "dst_address")),
        outside.ask(partners.format("dst_address", "src_address")),
        strict=True,
    )
    said = outside.ask("select most_destinations, most_sources from hours order by hour")
    for ((_, destinations), (_, sources)), bounds in zip(exact, said, strict=True):
        assert destinations <= bounds[0] <= (destinations + 2) * (1 if outside.closely else 3)
        assert sources <= bounds[1] <= (sources + 2) * (1 if outside.closely else 3)


def test_no_minute_is_off_by_more_than_one_octet(outside: Outside) -> None:
    """Each flow's octets laid out by whole numbers: the share of a minute is octets * ms in it / ms of it, as a fraction of
    10^9 octets, which 128 bits hold."""
    expected = """
        with parts as (
            select domain, ingress, egress, metered, code, octets, packets, p46, p38, s, greatest(e, s + 1) as e,
                unnest(range(s // 60000, (greatest(e, s + 1) - 1) // 60000 + 1)) as minute from flows
        ), shares as (
            select *, least(e, 60000 * (minute + 1)) - greatest(s, 60000 * minute) as inside from parts
        )
        select minute, domain, ingress, egress, metered, code,
            sum(octets::hugeint * 1000000000 * inside // (e - s)), sum(packets::hugeint * 1000000000 * inside // (e - s)),
            sum(p46::hugeint * 1000000000 * inside // (e - s)), sum(p38::hugeint * 1000000000 * inside // (e - s)),
            sum((minute = s // 60000)::int),
            sum(case when inside = e - s then octets else 0 end), sum(case when inside = e - s then packets else 0 end),
            sum(octets), sum(packets), count(*)
        from shares group by all order by all"""
    found = outside.ask("""select minute, domain, ingress, egress, metered, dscp, octets, packets, padding_46, padding_38,
        flows, least_octets, least_packets, most_octets, most_packets from minutes order by all""")
    wanted = outside.ask(expected)
    assert [row[:6] for row in found] == [row[:6] for row in wanted]
    for row, want in zip(found, wanted, strict=True):
        for value, billionths in zip(row[6:10], want[6:10], strict=True):
            assert abs(value * 10**9 - billionths) <= 10**9 + 10**6
        assert row[10:] == want[10:15]


def test_the_peak_of_a_minute_is_no_less_than_any_five_seconds(outside: Outside) -> None:
    """Octets of 40 and 38-octet packets behind 46 octets of PPPoE, which is the most that framing adds."""
    expected = """
        with parts as (
            select domain, ingress, egress, metered, code, greatest(octets, 38 * packets) + 46 * packets as wire, s,
                greatest(e, s + 1) as e,
                unnest(range(s // 5000, (greatest(e, s + 1) - 1) // 5000 + 1)) as slot from flows
        ), slots as (
            select domain, ingress, egress, metered, code, slot,
                sum(wire::double * (least(e, 5000 * (slot + 1)) - greatest(s, 5000 * slot)) / (e - s)) as octets
            from parts group by all
        )
        select slot // 12 as minute, domain, ingress, egress, metered, code, max(octets) from slots group by all order by all"""
    found = outside.ask(
        "select minute, domain, ingress, egress, metered, dscp, peak from minutes order by all"
    )
    for row, want in zip(found, outside.ask(expected), strict=True):
        assert row[:6] == want[:6]
        assert want[6] * (1 - 1e-12) <= row[6]
        assert row[6] <= want[6] * (1 + 1e-9) + 2 or not outside.closely
