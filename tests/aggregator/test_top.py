"""Rankings: the same as a plain loop and as pandas, in every window; conservation; what the notes say."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Sequence
from datetime import UTC, datetime
from fractions import Fraction
from typing import Any

import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from flowdiag.aggregator import top_parts, top_passes
from flowdiag.aggregator.partials import Measure
from flowdiag.aggregator.top import rank_batches
from flowdiag.aggregator.top_keys import KINDS, Conversation, Kind
from flowdiag.aggregator.top_ranking import Ranking, Request, Top, TopRow
from flowdiag.collector.report import ExportReport
from flowdiag.errors import UsageError
from flowdiag.site.profile import Label, Link, Profile
from flowdiag.text.wording.coverage import told
from tests.aggregator.tables import (
    HOST,
    LTE,
    MINUTE,
    SERVER,
    START,
    WAN,
    Row,
    batch,
    down,
    record,
    site,
    two_links,
    up,
)

NAMES = {443: "https", 53: "dns", 25: "smtp", 7001: "tcp/7001"}
MEASURES: list[Measure] = ["octets", "packets", "flows"]


def iso(time_ms: int) -> str:
    return datetime.fromtimestamp(time_ms / 1000, UTC).isoformat()


def rank(rows: Sequence[Row], request: Request, profile: Profile | None = None) -> Top:
    """The ranking of rows in three batches; by default of a site with one link."""
    third = len(rows) // 3
    batches = [batch(part) for part in (rows[:third], rows[third : 2 * third], rows[2 * third :]) if part]
    return rank_batches(batches, ExportReport(), profile or site(), request)


@st.composite
def some_rows(draw: st.DrawFn) -> list[Row]:
    """Records of four hosts with four servers within ten minutes, each of a port of its own."""
    rows = []
    for number in range(draw(st.integers(1, 25))):
        host, server = f"192.168.40.{draw(st.integers(1, 4))}", f"203.0.113.{draw(st.integers(1, 4))}"
        service = draw(st.sampled_from([*NAMES]))
        start = draw(st.integers(0, 600_000))
        changes: dict[str, Any] = {
            "octets": draw(st.integers(0, 10**9)),
            "packets": draw(st.integers(1, 10**6)),
            "start": start / 1000,
            "end": (start + draw(st.sampled_from([0, 1, 999, 30_000, 60_000, 300_000]))) / 1000,
        }
        client = 50_000 + number
        if draw(st.booleans()):
            rows.append(up(host, server, src_port=client, dst_port=service, **changes))
        else:
            rows.append(down(server, host, src_port=service, dst_port=client, **changes))
    return rows


def part_of(row: Row, begin: int, end: int) -> Fraction | None:
    """How much of a record lies in [begin, end), by even spread; None where it does not touch it."""
    first, last = (START + round(row[name] * 1000) for name in ("start", "end"))
    if first == last:
        return Fraction(1) if begin <= first < end else None
    if first >= end or last <= begin:
        return None
    return Fraction(min(last, end) - max(first, begin), last - first)


def key_of(row: Row, kind: Kind) -> str | Conversation:
    going_up = row["egress_interface"] == WAN
    inside, outside = (row["src_address"], row["dst_address"])[:: 1 if going_up else -1]
    name = NAMES[row["dst_port"] if going_up else row["src_port"]]
    if kind == "conversations":
        return Conversation(inside, outside, name)
    keys: dict[str, str] = {"talkers": inside, "destinations": outside, "applications": name}
    return keys[kind]


def plain(rows: list[Row], kind: Kind, begin: int, end: int) -> dict[Hashable, dict[str, Fraction]]:
    """Octets, packets and flows by key, by a loop."""
    found: dict[Hashable, dict[str, Fraction]] = defaultdict(lambda: dict.fromkeys(MEASURES, Fraction(0)))
    for row in rows:
        part = part_of(row, begin, end)
        if part is not None:
            sums = found[key_of(row, kind)]
            sums["octets"] += row["octets"] * part
            sums["packets"] += row["packets"] * part
            sums["flows"] += 1
    return found


def assert_ranked_like(ranking: Ranking, wanted: dict[Hashable, dict[str, Fraction]], by: Measure) -> None:
    assert {row.key for row in ranking.rows} == set(wanted)
    total = sum(sums[by] for sums in wanted.values())
    before = None
    for row in ranking.rows:
        sums = wanted[row.key]
        assert abs(row.octets - sums["octets"]) <= 0.6  # rounded to whole octets
        assert abs(row.packets - sums["packets"]) <= 0.6
        assert row.flows == sums["flows"]
        # Parts of a flow are kept in steps of 1/1024.
        off = len(wanted) * 25 / 1024 / total if total else 0
        assert abs(row.share - (sums[by] / total if total else 0)) <= 1e-6 + off
        assert before is None or before + Fraction(1, 100) >= sums[by]
        before = sums[by]
    for measure in MEASURES:
        assert abs(getattr(ranking, f"total_{measure}") - sum(s[measure] for s in wanted.values())) <= 0.6
    if total:
        assert sum(row.share for row in ranking.rows) + ranking.rest_share == pytest.approx(1.0)


@given(
    some_rows(), st.sampled_from(KINDS), st.sampled_from(MEASURES), st.integers(0, 500), st.integers(1, 400)
)
def test_a_ranking_is_that_of_a_loop(
    rows: list[Row], kind: Kind, by: Measure, begin: int, length: int
) -> None:
    low, high = START + begin * 1000, START + (begin + length) * 1000
    request = Request(kind, by, limit=None, window_from=iso(low), window_to=iso(high))
    assert_ranked_like(rank(rows, request).whole, plain(rows, kind, low, high), by)


@pytest.mark.parametrize("by", MEASURES)
def test_whoever_sent_less_than_a_step_has_a_share_of_it(by: Measure) -> None:
    # Five minutes with one packet of one octet, of which the second asked about has a millisecond.
    row = down(SERVER, "192.168.40.1", octets=1, packets=1, start=0.999, end=300.999)
    window = START, START + 1000
    request = Request("talkers", by, window_from=iso(window[0]), window_to=iso(window[1]))
    (found,) = rank([row], request).whole.rows
    assert (found.key, found.octets, found.share) == ("192.168.40.1", 0, 1.0)


@settings(max_examples=25)
@given(some_rows(), st.sampled_from(KINDS), st.sampled_from([7, 60, 150]))
def test_the_ranking_of_each_window_is_that_of_a_loop(rows: list[Row], kind: Kind, seconds: int) -> None:
    low, high = START + 30_000, START + 430_000
    step = seconds * 1000
    request = Request(kind, limit=None, window_from=iso(low), window_to=iso(high), step_ms=step)
    found = {ranking.window_ms: ranking for ranking in rank(rows, request).steps}
    for begin in range(low, high, step):
        window = begin, min(begin + step, high)
        wanted = plain(rows, kind, *window)
        assert (window in found) == bool(wanted)
        if wanted:
            assert_ranked_like(found.pop(window), wanted, "octets")
    assert not found


@settings(max_examples=25)
@given(some_rows(), st.sampled_from(MEASURES))
def test_the_whole_export_is_ranked_as_by_pandas(rows: list[Row], by: Measure) -> None:
    frame = pd.DataFrame(rows).assign(host=[str(key_of(row, "talkers")) for row in rows], flows=1)
    wanted = frame.groupby("host")[list(MEASURES)].sum().sort_values([by, "host"], ascending=[False, True])
    last = max(row["end"] for row in rows)
    # An explicit end, so that a flow without duration at the very end is inside.
    found = rank(
        rows, Request("talkers", by, limit=None, window_to=iso(START + round(last * 1000) + 1))
    ).whole.rows
    assert sorted(row.key for row in found if isinstance(row.key, str)) == sorted(wanted.index)
    sums = wanted.to_dict("index")
    for row in found:
        assert {measure: getattr(row, measure) for measure in MEASURES} == sums[row.key]
    assert [getattr(row, by) for row in found] == wanted[by].tolist()


@settings(max_examples=25)
@given(some_rows(), st.sampled_from(KINDS))
def test_windows_add_up_to_the_whole(rows: list[Row], kind: Kind) -> None:
    top = rank(rows, Request(kind, limit=None, step_ms=MINUTE))
    assert sum(ranking.total_octets for ranking in top.steps) == pytest.approx(top.whole.total_octets, abs=20)


@settings(max_examples=25)
@given(some_rows())
def test_the_peak_is_the_highest_minute(rows: list[Row]) -> None:
    low, high = START, START + 15 * MINUTE
    found = rank(rows, Request("talkers", limit=None, window_from=iso(low), window_to=iso(high))).whole.rows
    minutes = [plain(rows, "talkers", begin, begin + MINUTE) for begin in range(low, high, MINUTE)]
    for row in found:
        peak = max(float(minute[row.key]["octets"]) for minute in minutes if row.key in minute)
        assert row.peak_mbps == pytest.approx(peak * 8 / 60 / 1e6, rel=1e-6, abs=1e-9)
        assert row.mean_mbps == pytest.approx(row.octets * 8 / 900 / 1e6, abs=1e-6)


def rows_of(top: Top) -> list[tuple[str | Conversation, int]]:
    return [(row.key, row.octets) for row in top.whole.rows]


def test_equal_rows_stand_in_the_order_of_their_keys() -> None:
    hosts = [f"192.168.40.{n}" for n in (9, 30, 200, 4)]
    found = rank([up(host) for host in hosts], Request("talkers"))
    assert [row.key for row in found.whole.rows] == [f"192.168.40.{n}" for n in (4, 9, 30, 200)]


def test_what_is_not_shown_is_everything_else() -> None:
    rows = [up(f"192.168.40.{n}", octets=n * 100) for n in range(1, 6)]
    whole = rank(rows, Request("talkers", limit=2)).whole
    assert [row.octets for row in whole.rows] == [500, 400]
    assert whole.rest_octets == 600
    assert whole.rest_share == pytest.approx(0.4)


def test_first_and_last_are_cut_to_the_window() -> None:
    rows = [up(start=0, end=100), up(start=200, end=300, src_port=50_001)]
    request = Request("talkers", window_from=iso(START + 50_000), window_to=iso(START + 250_000))
    row = rank(rows, request).whole.rows[0]
    assert (row.first_ms, row.last_ms) == (START + 50_000, START + 250_000)


def test_link_and_direction_narrow_the_ranking() -> None:
    rows = [
        up(octets=10),
        down(octets=2000),
        up(octets=300, egress_interface=LTE, src_port=50_001),
        record(HOST, "192.168.40.7", octets=9999, ingress_interface=1, egress_interface=1),
    ]
    profile = site(two_links())
    assert rows_of(rank(rows, Request("talkers"), profile)) == [(HOST, 2310)]
    assert rows_of(rank(rows, Request("talkers", link=1), profile)) == [(HOST, 300)]
    assert rows_of(rank(rows, Request("talkers", link=0, direction=0), profile)) == [(HOST, 2000)]
    assert rank(rows, Request("talkers", link=1), profile).link == "lte"


def test_without_a_profile_private_networks_are_inside_and_local_traffic_counts() -> None:
    rows = [up(octets=10), down(octets=200), record(HOST, "192.168.40.7", octets=3000)]
    top = rank_batches([batch(rows)], ExportReport(), None, Request("talkers"))
    assert top.whole.total_octets == 3210


def test_labels_and_classes_stand_beside_the_keys() -> None:
    profile = site(
        label=[Label(network=f"{SERVER}/32", name="off-site backup"), Label(network=HOST, name="archive")]
    )
    rows = [up()]

    def first(kind: Kind) -> TopRow:
        return rank(rows, Request(kind), profile).whole.rows[0]

    assert first("talkers").label == "archive"
    assert first("destinations").label == "off-site backup"
    assert first("conversations").label == "off-site backup"
    assert first("applications").label == "web"


def test_rates_have_the_framing_of_the_link() -> None:
    # 10 packets of 100 octets on Ethernet: 1000 + 10 * 18 (IEEE 802.3: 14 of header, 4 of check sequence)
    link = Link(name="fibre", interfaces=[WAN], down_mbps=100, up_mbps=40, framing="ethernet")
    request = Request("talkers", window_from=iso(START), window_to=iso(START + 1000))
    row = rank([up()], request, site([link])).whole.rows[0]
    assert row.octets == 1000
    assert row.mean_mbps == pytest.approx(1180 * 8 / 1e6)


def test_beyond_the_keys_that_are_kept_the_output_says_what_may_be_lost(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(top_parts, "MAX_KEYS", 50)
    monkeypatch.setattr(top_passes, "MAX_KEYS", 50)
    rows = [up(dst=f"203.0.{n // 250}.{n % 250}", octets=100 + n) for n in range(400)]
    exact = {f"203.0.{n // 250}.{n % 250}": 100 + n for n in range(400)}
    top = rank(rows, Request("destinations", limit=10))
    assert top.folded_keys > 0
    for row in top.whole.rows:
        assert isinstance(row.key, str)
        assert 0 <= exact[row.key] - row.octets <= row.bound_octets == top.error
    assert top.whole.total_octets == sum(exact.values())
    assert top.whole.rest_octets == sum(exact.values()) - sum(row.octets for row in top.whole.rows)


def test_what_a_row_may_lack_is_in_octets_whatever_is_ranked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of 400 destinations of one packet each, 25 stay when there are more than 50: the largest that goes bounds a row."""
    monkeypatch.setattr(top_parts, "MAX_KEYS", 50)
    monkeypatch.setattr(top_passes, "MAX_KEYS", 50)
    rows = [up(dst=f"203.0.{n // 250}.{n % 250}", octets=100 + n, packets=1) for n in range(400)]
    top = rank(rows, Request("destinations", "flows", limit=10))
    assert top.error == 1
    assert {row.bound_octets for row in top.whole.rows} == {499}
    assert {row.bound_octets for row in rank(rows[:40], Request("destinations")).whole.rows} == {0}


def test_notes_say_what_bounds_the_figures() -> None:
    rows = [up(sampling=100), up(src_port=50_001, direction=0), up(src_port=50_001, direction=1)]
    notes = " ".join(told(rank([*rows, record(None, None, octets=0)], Request("talkers")).remarks))
    assert "The export is sampled" in notes
    assert "metered at ingress and egress" in notes
    assert "not of IP" in notes


def test_a_window_without_flows_is_said_to_be_one() -> None:
    before, begin = iso(START - 100 * MINUTE), iso(START - 90 * MINUTE)
    top = rank([up()], Request("talkers", window_from=before, window_to=begin, step_ms=MINUTE))
    assert (top.whole.rows, top.whole.total_octets, top.steps) == ((), 0, ())
    assert (
        told(top.remarks)[0]
        == f"No flow lies in this time; the export covers {iso(START)} to {iso(START + 1000)}."
    )


def test_too_many_windows_are_refused() -> None:
    rows = [up(start=0, end=1), up(start=86_399, end=86_400, src_port=50_001)]
    with pytest.raises(UsageError, match="--window"):
        rank(rows, Request("talkers", step_ms=1000))


def test_batches_do_not_matter() -> None:
    rows = [
        up(f"192.168.40.{n % 7}", octets=1000 + n, src_port=50_000 + n, start=n, end=3 * n + 1)
        for n in range(60)
    ]
    request = Request("talkers", step_ms=MINUTE)
    one = rank_batches([batch(rows)], ExportReport(), site(), request)
    table = pa.Table.from_batches([batch(rows)])
    many = rank_batches(table.to_batches(max_chunksize=7), ExportReport(), site(), request)
    assert one == replace(many)
