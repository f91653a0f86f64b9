"""Small choices of the aggregator at their bounds, each function by itself: strays, samples, names, hosts, partials."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from msgspec.structs import replace

from flowdiag.aggregator import coverage_notes, duplicates, partials, services, top_passes
from flowdiag.aggregator.applications import Catalogue, Names, read_catalogue
from flowdiag.aggregator.build import joined
from flowdiag.aggregator.counting import SMALL_INTERFACES, InterfaceLinks
from flowdiag.aggregator.coverage_notes import _packets, _restart_gaps, _sample
from flowdiag.aggregator.partials import (
    FEW_GROUPS,
    STEP,
    Folded,
    Partial,
    _counted,
    _fold,
    _summed_by_number,
    nothing,
)
from flowdiag.aggregator.remark import remark
from flowdiag.aggregator.resolution import USUAL_S, _between, _candidates, estimate_resolution
from flowdiag.aggregator.services import Ends, opened_by_src
from flowdiag.aggregator.time_outliers import (
    HARDLY_ANYTHING,
    MAX_DAYS,
    PAUSE_DAYS,
    days_kept,
    without_time_outliers,
)
from flowdiag.aggregator.top_passes import Seen
from flowdiag.aggregator.translation import _first
from flowdiag.collector.report import LossEvent
from flowdiag.site.profile import Link
from flowdiag.text.wording.coverage import told
from tests.aggregator.tables import LTE, WAN, build, int_array, site, up
from tests.aggregator.test_table_bounds import records
from tests.aggregator.test_translation_bounds import hosts


def test_bounds_of_memory_and_thresholds_are_those_that_were_measured() -> None:
    """Tests set bounds of their own where these would take long to reach."""
    assert (top_passes.CHUNK_ROWS, top_passes.SOME_ROWS, top_passes.MAX_STEPS) == (250_000, 200_000, 10_000)
    assert top_passes.MAX_PEAK_CELLS * 8 == 32_000_000  # octets
    assert (partials.MAX_KEYS, partials.KEPT_PART, partials.STEP, FEW_GROUPS) == (500_000, 2, 1024.0, 131_072)
    assert (services.MAX_CALLED, services.MAX_PAIRS) == (500_000, 250_000)
    assert (duplicates.ALWAYS_LOOKED_AT, duplicates.SAMPLE_ONE_IN) == (200_000, 16)
    assert coverage_notes.MOST_LOOKED_AT == 200_000
    assert (PAUSE_DAYS, MAX_DAYS, HARDLY_ANYTHING) == (7, 1_000, 0.01)


# Strays and samples -------------------------------------------------------------------------------------------------


def test_of_no_flows_none_is_a_stray() -> None:
    nobody = joined(())
    assert without_time_outliers(nobody) == (nobody, 0)


def test_within_a_week_no_flow_is_a_stray() -> None:
    flows = build([up(src_port=1), up(src_port=2, start=6 * 86_400, end=6 * 86_400)])[0]
    assert without_time_outliers(flows) == (flows, 0)
    flows.end_ms[1] += 2 * 86_400_000  # eight days, and nothing that is left out
    assert without_time_outliers(flows) == (flows, 0)


@pytest.mark.parametrize(("days", "outliers"), [(7, 0), (8, 1)])
def test_a_flow_may_end_a_week_after_the_day_on_which_it_begins(days: int, outliers: int) -> None:
    flows = build([up(src_port=1)])[0]
    flows.end_ms[:] = (int(flows.start_ms[0]) // 86_400_000 + days) * 86_400_000
    assert without_time_outliers(flows)[1] == outliers


def test_days_are_those_of_the_largest_part_the_first_of_equal_ones() -> None:
    assert days_kept(int_array(5), int_array(1)) == (5, 5)
    equal = int_array(0, 2000), int_array(3, 3)
    assert days_kept(*equal) == (0, 0)


@pytest.mark.parametrize(("rows", "step"), [(3, 1), (7, 1), (8, 2), (11, 2), (12, 3)])
def test_flows_looked_at_are_every_so_many(monkeypatch: pytest.MonkeyPatch, rows: int, step: int) -> None:
    monkeypatch.setattr(coverage_notes, "MOST_LOOKED_AT", 4)
    some: Any = range(rows)
    assert _sample(some).step == step
    monkeypatch.setattr(top_passes, "SOME_ROWS", 4)
    seen = Seen()
    flows = build([up(src_port=port) for port in range(1, rows + 1)])[0]
    seen.add(flows, 0, 0)
    assert len(seen.sample) == -(-rows // step)


@pytest.mark.parametrize(("most", "rows"), [(40, 40), (39, 3)])
def test_up_to_a_bound_all_rows_on_links_are_looked_at(
    monkeypatch: pytest.MonkeyPatch, most: int, rows: int
) -> None:
    """Of forty conversations whose ports differ by a row, those whose numbers mix to a multiple of sixteen."""
    monkeypatch.setattr(duplicates, "ALWAYS_LOOKED_AT", most)
    flows = build([up(src_port=port) for port in range(1, 41)])[0]
    found = duplicates.sampled(flows)
    assert len(found) == rows
    flows.link[:] = -1
    assert len(duplicates.sampled(flows)) == 0


def test_packets_are_those_seen_where_nothing_is_sampled() -> None:
    def told(*some: tuple[float, float]) -> tuple[float, float]:
        flows = build([up(src_port=place + 1) for place in range(len(some))])[0]
        flows.packets[:], flows.sampling[:] = zip(*some, strict=True)
        return _packets(flows)

    assert _packets(joined(())) == (0.0, 0.0)
    assert told((10, 1), (20, 0)) == (30, 30)
    assert told((10, 1), (20, 2), (5, 0.5)) == (35, 25)


def test_before_a_restart_the_last_record_is_the_one_that_ended_last() -> None:
    """One was exported at the very time of the message before the restart."""
    flows: Any = SimpleNamespace(start_ms=int_array(0, 0, 70, 80), end_ms=int_array(30, 50, 90, 99))
    restart = LossEvent(b"", 0, 85, 0, 0, 50, restarted=True)
    assert _restart_gaps(flows, [restart]) == ((50, 70),)
    earlier = replace(restart, since_ms=49)
    assert _restart_gaps(flows, [earlier]) == ((30, 70),)
    # A record that begins with the message before is metered after it; one that reaches over it is neither.
    flows = SimpleNamespace(start_ms=int_array(0, 60, 40), end_ms=int_array(30, 90, 95))
    assert _restart_gaps(flows, [replace(restart, since_ms=60)]) == ((30, 60),)
    flows = SimpleNamespace(start_ms=int_array(0, 61, 40), end_ms=int_array(30, 90, 95))
    assert _restart_gaps(flows, [replace(restart, since_ms=60)]) == ((30, 61),)


# Timeouts -----------------------------------------------------------------------------------------------------------


def test_usual_timeouts_are_these_and_the_next_one_is_assumed() -> None:
    usual = (10, 15, 20, 30, 60, 90, 120, 180, 240, 300, 600, 900, 1200, 1800, 3600)
    assert usual == USUAL_S
    for shorter, longer in zip(usual[4:], usual[5:], strict=False):
        assert estimate_resolution([shorter * 1000 + 1], None) == (longer, False)
        assert estimate_resolution([longer * 1000], None) == (longer, False)
    assert set(_candidates(np.array([7000.0, 7001.0, 7002.0]))) - set(usual) == {7000}


@pytest.mark.parametrize(
    ("seconds", "packets", "count", "found"),
    [
        (54.0, 10, 12, 60),  # the next one would have come after 60
        (54.0, 10, 11, None),
        (54.0, 3, 12, None),  # of three packets nobody knows how far they are apart
        (
            42.9,
            4,
            12,
            None,
        ),  # the next would have come after 57.2, and pieces of a minute end after 57.3 at the earliest
        (43.0, 4, 12, 60),
        (65.7, 40, 12, 60),
        (65.8, 40, 12, None),  # later than exporters look for flows of a minute
        (4.9, 4, 12, None),
    ],
)
def test_a_usual_timeout_lies_between_the_last_packet_and_the_next(
    seconds: float, packets: int, count: int, found: int | None
) -> None:
    some = np.full(count, seconds)
    assert _between(some, np.full(count, float(packets)), np.sort(some)) == found


@pytest.mark.parametrize(("longer", "found"), [(3, 60), (4, None)])
def test_a_quarter_of_the_keepalives_may_be_longer(longer: int, found: int | None) -> None:
    some = np.concatenate([np.full(12, 54.0), np.full(longer, 5000.0)])
    packets = np.concatenate([np.full(12, 10.0), np.full(longer, 1.0)])
    assert _between(some, packets, np.sort(some)) == found


@pytest.mark.parametrize(("apart", "found"), [(1.0, 60), (1.01, None)])
def test_keepalives_are_alike_within_a_second(apart: float, found: int | None) -> None:
    some = np.concatenate([np.full(7, 56.0 - apart), np.full(1, 56.0), np.full(7, 56.0 + apart)])
    assert _between(some, np.full(15, 10.0), np.sort(some)) == found
    nearer = np.concatenate([np.full(7, 56.0), np.full(6, 56.0 + apart)])  # more than half are all alike
    assert _between(nearer, np.full(13, 10.0), np.sort(nearer)) == 60


# Names of services --------------------------------------------------------------------------------------------------

RULES = read_catalogue(
    """
[[application]]
name = "own"
class = "web"
tcp = [0, 65535]
[[protocol]]
name = "last"
class = "web"
numbers = [254]
[class.web]
words = []
"""
)


def test_protocols_up_to_the_last_and_none_have_places_of_their_own() -> None:
    names = Names(RULES)
    protocol = np.array([255, 254, 0, -1, 6, 6, 6, 17, 5], np.int16)
    port = np.array([80, 80, 80, 80, 65_535, 0, -1, 65_535, 9], np.int32)
    met = names.slots(protocol, port)
    assert (met < 0).all()
    names.settle()
    assert [names.all()[number] for number in names.named(met)] == [
        "ip/255", "last", "ip/0", "unknown", "own", "own", "unknown", "udp/65535", "ip/5",
    ]  # fmt: skip


def test_names_that_say_nothing_are_unknown_and_known_ones_are_spelt_as_the_rules_do() -> None:
    names = Names(replace(RULES, spellings={"own": "Own"}))
    given = names.of_exporters([" OWN ", "Other", "n/a", "", "Mine ", "mine"])
    assert given.tolist() == [1, 0, 0, 0, 2, 3, 0]
    assert names.all() == ("unknown", "Own", "Mine", "mine")


def test_a_class_is_told_by_the_name_or_else_by_the_first_word_in_it() -> None:
    rules = Catalogue({}, {}, {"exact": "mail"}, (("cloud", "backup"), ("call", "voice")), {})
    assert [rules.class_of(name) for name in ("EXACT", "cloud-call", "Call", "nothing")] == [
        "mail", "backup", "voice", "unknown",
    ]  # fmt: skip
    known = Catalogue({(6, 0): "a", (6, 65_535): "b", (17, 9): "c"}, {}, {}, (), {}).known_ports(6)
    assert (len(known), np.flatnonzero(known).tolist()) == (65_536, [0, 65_535])


def test_who_opened_is_told_by_sure_roles_and_by_who_asks_for_an_echo() -> None:
    some = records(*[(1, 0, 2, port, 0) for port in (0, 0, 0, 0, 2048, 0, 32_768, 33_024, 2048)])
    some.protocol = np.array([6, 6, 6, 6, 1, 1, 58, 58, 58], np.int16)
    side = np.array([0, 1, 2, 3, 0, 0, 0, 0, 0], np.int8)
    for sure, by_role in ((True, [-1, 0, 1, -1]), (False, [-1] * 4)):
        ends = Ends(side, np.full(9, sure))
        assert opened_by_src(some, ends).tolist() == [*by_role, 1, 0, 1, 0, -1]


# Links and hosts ----------------------------------------------------------------------------------------------------


def test_interfaces_of_any_number_belong_to_their_links() -> None:
    links = [
        Link(name="one", interfaces=[1, SMALL_INTERFACES - 1, SMALL_INTERFACES + 1], down_mbps=1, up_mbps=1),
        Link(name="two", interfaces=[SMALL_INTERFACES, 2**31 - 2], down_mbps=1, up_mbps=1),
    ]
    asked = int_array(1, 65_534, 65_535, 65_536, 65_537, 65_538, 2**31 - 2, 2**31 - 1, -1)
    assert InterfaceLinks(site(links)).of(asked).tolist() == [0, -1, 0, 1, 0, -1, 1, -1, -1]
    small = InterfaceLinks(site([links[0].model_copy(update={"interfaces": [WAN, LTE]})]))
    assert small.of(asked).tolist() == [-1] * 9
    assert small.of(int_array(WAN, LTE, 4)).tolist() == [0, 0, -1]


def test_a_conversation_named_by_its_port_is_not_compared_once_more() -> None:
    """The first inside one kept the port; another host's agrees better as a whole."""
    kept = [
        {"port": 61_000, "octets": 300.0, "packets": 10.0},
        {"port": 61_000, "octets": 301.0, "packets": 4.0},
    ]
    better = [
        {"end": 2, "octets": 400.0, "packets": 8.0},
        {"end": 2, "octets": 600.0, "packets": 12.0, "start": 0.6},
    ]
    assert hosts([{}], better) == [(2, 50_000)]
    assert hosts([{}], [*kept, *better]) == [(1, 61_000)]
    assert hosts([{}], [*better, *kept]) == [(1, 61_000)]


@pytest.mark.parametrize(
    ("addresses", "said"),
    [("a", "a"), ("abc", "a, b, c"), ("abcd", "a, b, c and 1 more"), ("abcdef", "a, b, c and 3 more")],
)
def test_three_addresses_are_named(addresses: str, said: str) -> None:
    (note,) = told([remark("translated", records=2, **_first(tuple(addresses)))])
    assert f" show its own ({said}); " in note


# Partials -----------------------------------------------------------------------------------------------------------


def test_what_counts_of_a_flow_is_rounded_to_steps_and_one_at_least() -> None:
    assert STEP == 1024.0
    values = np.array([1000.0, 1000.0, 1.0, 1.0, 3.0, 0.0])
    part = np.array([1.0, 0.5, 0.0001, 0.0, 2.4 / 3 / 1024, 0.5])
    assert (_counted(values, part) * STEP).tolist() == [1_024_000, 512_000, 1, 0, 2, 0]
    assert _counted(values, None) is values
    assert _counted(values, np.ones(6)) is values


def table(key: list[int], kind: Any = None, **more: list[float]) -> pa.Table:
    count = len(key)
    columns = {name: more.get(name, [1.0] * count) for name in ("octets", "wire_octets", "packets")}
    times = {"first_ms": list(range(5, 5 + count)), "last_ms": list(range(9, 9 - count, -1))}
    return pa.table({"key": pa.array(key, kind or pa.int32()), **columns, **times})


def test_keys_that_are_small_numbers_are_added_up_in_their_places() -> None:
    found = _summed_by_number(table([3, 1, 3], octets=[1.0, 2.0, 4.0]), ("key",), counted=False)
    assert found is not None
    assert found.to_pylist() == [
        {"key": 1, "octets": 2, "wire_octets": 1, "packets": 1, "flows": 1, "first_ms": 6, "last_ms": 8},
        {"key": 3, "octets": 5, "wire_octets": 2, "packets": 2, "flows": 2, "first_ms": 5, "last_ms": 9},
    ]
    flows = found.set_column(found.column_names.index("flows"), "flows", pa.array([10.0, 20.0]))
    again = _summed_by_number(flows, ("key",), counted=True)
    assert again is not None
    assert again["flows"].to_pylist() == [10, 20]


@pytest.mark.parametrize(
    ("keys", "kind", "placed"),
    [
        ([0], None, True),
        ([5, -1], None, True),
        ([1 << 40, -(1 << 40)], pa.int64(), True),
        ([-(1 << 62), 1 << 62], pa.int64(), False),  # farther apart than a number tells
        (["a"], pa.string(), False),
        ([], None, False),
    ],
)
def test_other_keys_are_none_of_these(keys: list[Any], kind: Any, placed: bool) -> None:
    found = _summed_by_number(table(keys, kind), ("key",), counted=False)
    assert (found is not None) == placed
    if found is not None:
        assert found["key"].to_pylist() == sorted(keys)


def test_of_equal_keys_the_first_ones_stay_and_what_went_is_told() -> None:
    rows = table([1, 2, 3, 4], octets=[7.0, 9.0, 7.0, 5.0]).append_column(
        "flows", pa.array([1.0, 2.0, 3.0, 4.0])
    )
    found = _fold(Partial(("key",), "octets", rows, Folded(keys=10, error=0.5, octets=100.0)), 2)
    assert found.table["key"].to_pylist() == [1, 2]
    assert found.folded == Folded(
        octets=112.0, wire_octets=2.0, packets=2.0, flows=7.0, keys=12, error=7.5, octets_error=7.0
    )
    assert (found.total("octets"), found.total("flows")) == (128.0, 10.0)
    assert nothing({"key": pa.int32()}, "octets").total("octets") == 0.0


def test_what_was_folded_adds_up() -> None:
    one, other = Folded(1, 2, 3, 4, 5, 6), Folded(10, 20, 30, 40, 50, 60)
    assert one.plus(other) == Folded(11, 22, 33, 44, 55, 66)
