"""What is told of an export besides its figures: signs of life, restarts, sampling, and each remark with its count."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from flowdiag.addresses import to_bytes
from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.coverage_notes import heard_minutes
from flowdiag.collector.clocks import Clocks
from flowdiag.collector.report import ExportReport, InterfaceReport, LossEvent, Problem, SessionReport
from flowdiag.site.profile import Link, Profile, Site
from flowdiag.text.wording.coverage import told
from tests.aggregator.tables import (
    EXPORTER,
    LAN,
    LTE,
    START,
    WAN,
    Row,
    build,
    down,
    note_with,
    site,
    two_links,
    up,
)

ONE, OTHER = to_bytes(EXPORTER), to_bytes("192.0.2.11")
UNKNOWN = bytes(16)
MINUTE = 60_000


def session(exporter: bytes = ONE, **told: Any) -> SessionReport:
    return SessionReport(exporter, 2055, 0, "ipfix", **told)


def covered(
    rows: list[Row] | None = None, profile: Profile | None = None, sessions: list[SessionReport] | None = None,
    **told: Any,
) -> Coverage:  # fmt: skip
    """Coverage of some rows (one upload by default), with what the pass reported."""
    report = ExportReport(sessions=sessions or [], **told)
    return build(rows or [up()], profile, report)[2]


def of(*exporters: str) -> Profile:
    """A site that names its exporters."""
    one = Link(name="fibre", interfaces=[WAN], down_mbps=100, up_mbps=40, framing="ip")
    return Profile(
        site=Site(name="Test site", lan=["192.168.40.0/24"], exporters=list(exporters)), link=[one]
    )


def none_has(coverage: Coverage, words: str) -> bool:
    return not any(words in note for note in told(coverage.remarks))


def test_counts_are_those_of_the_sites_exporters_and_of_sessions_without_an_address() -> None:
    sessions = [
        session(records=5, lost_records=3, lost_messages=1, undecoded_records=7, lost_is_estimate=True),
        session(UNKNOWN, records=20, lost_records=10, lost_messages=2, undecoded_records=30),
        session(OTHER, records=100, lost_records=100, lost_messages=100, undecoded_records=100),
    ]
    own = covered(profile=of(EXPORTER), sessions=sessions)
    assert (own.records, own.lost_records, own.lost_messages, own.undecoded_records) == (25, 13, 3, 37)
    assert own.lost_is_estimate
    every = covered(sessions=sessions)
    assert (every.records, every.lost_records) == (125, 113)


def test_only_a_loss_that_is_estimated_makes_the_sum_an_estimate() -> None:
    sessions = [session(lost_records=4), session(lost_is_estimate=True)]
    coverage = covered(sessions=sessions)
    assert not coverage.lost_is_estimate
    assert (
        note_with(coverage, "lost on the way") == "4 records were lost on the way: figures are lower bounds."
    )


def test_one_record_is_one() -> None:
    coverage = covered(sessions=[session(lost_records=1, lost_is_estimate=True, undecoded_sets=1)])
    assert note_with(coverage, "lost on the way") == (
        "1 record was lost on the way (an estimate: NetFlow v9 counts messages only): figures are lower bounds."
    )
    assert note_with(coverage, "template").startswith("1 data set waited in vain for their template")
    several = covered(sessions=[session(undecoded_sets=2), session(undecoded_records=9)])
    assert note_with(several, "template").startswith("2 data sets waited in vain")
    assert "9 records or more could not be decoded" in note_with(several, "template")
    assert none_has(covered(), "template")
    assert none_has(covered(), "lost on the way")


def test_minutes_with_messages_are_those_of_the_sites_exporters_on_the_captures_clock() -> None:
    report = ExportReport(
        sessions=[session(clock_offset_ms=90_000), session(OTHER)],
        heard_minutes={ONE: {100, 102}, OTHER: {200}, UNKNOWN: {300, 102}},
    )
    clocks = Clocks(report)
    # A minute and a half behind: minutes 100 and 102 begin in 101 and 103.
    found = heard_minutes(report, of(EXPORTER), clocks)
    assert (found // MINUTE).tolist() == [101, 102, 103, 300]
    assert (heard_minutes(report, site(), clocks) // MINUTE).tolist() == [101, 102, 103, 200, 300]
    assert not (found % MINUTE).any()


def test_a_window_is_heard_by_a_message_or_a_flow_that_covers_it() -> None:
    rows = [up(start=0, end=1), up(start=70, end=185), up(start=599, end=600, src_port=9)]
    minute = START // MINUTE
    coverage = covered(rows, heard_minutes={ONE: {minute + 6}}, sessions=[session()])
    assert np.flatnonzero(coverage.heard).tolist() == [0, 1, 2, 3, 6, 9]


def test_the_span_reaches_from_the_first_sign_of_life_to_the_last() -> None:
    rows = [up(start=10, end=20)]
    told = {"first_export_ms": START + 5_000, "last_export_ms": START + 30_000}
    assert covered(rows, sessions=[session(**told)]).span_ms == (START + 5_000, START + 30_000)
    late = session(**told, clock_offset_ms=8_000)
    assert covered([up(start=2, end=7)], sessions=[late]).span_ms == (START + 10_000, START + 38_000)
    within = session(first_export_ms=START + 12_000, last_export_ms=START + 15_000)
    assert covered(rows, sessions=[within]).span_ms == (START + 10_000, START + 20_000)
    assert covered(rows, sessions=[session(last_export_ms=START + 99_000)]).span_ms == (
        START + 10_000,
        START + 20_000,
    )
    assert covered([up(start=3, end=3)]).span_ms == (START + 3_000, START + 3_001)


def restart(time_s: float, since_s: float | None = None, exporter: bytes = ONE) -> LossEvent:
    since_ms = None if since_s is None else START + round(since_s * 1000)
    return LossEvent(exporter, 0, START + round(time_s * 1000), 0, 0, since_ms, restarted=True)


BEFORE, AFTER = up(start=0, end=50), up(start=130, end=190)


@pytest.mark.parametrize(
    ("event", "gap"),
    [
        (restart(140, 60), (50, 130)),  # from the last record before to the first that was metered after
        (restart(120, 60), (50, 120)),  # the first message after comes before that record
        (restart(140, 50), (50, 130)),  # that record was just out
        (restart(140, 49.999), (49.999, 50)),  # and here it was not: it was metered after
        (restart(60), (50, 60)),  # nobody knows when the message before came
    ],
)
def test_a_restart_hides_the_time_from_the_last_record_before_to_the_first_after(
    event: LossEvent, gap: tuple[float, float]
) -> None:
    rows = [BEFORE, AFTER] if gap[0] == 50 else [up(start=49.9995, end=50), up(start=50, end=190)]
    found = covered(rows, losses=[event], sessions=[session()]).restarts
    assert [tuple((edge - START) / 1000 for edge in one) for one in found] == [gap]


def test_a_restart_without_a_record_before_or_after_has_the_messages_times() -> None:
    early = covered([AFTER], losses=[restart(140, 60)], sessions=[session()])
    assert early.restarts == ((START + 60_000, START + 130_000),)
    late = covered([BEFORE], losses=[restart(140, 60)], sessions=[session()])
    assert late.restarts == ((START + 50_000, START + 140_000),)


def test_a_restart_that_hides_nothing_or_the_same_once_more_is_not_told_and_another_exporters_neither() -> (
    None
):
    at_once = covered([up(start=0, end=60), AFTER], losses=[restart(60, 60)], sessions=[session()])
    assert at_once.restarts == ()
    twice = covered([BEFORE, AFTER], losses=[restart(140, 60), restart(141, 61)], sessions=[session()])
    assert twice.restarts == ((START + 50_000, START + 130_000),)
    foreign = covered(
        [BEFORE, AFTER], of(EXPORTER), [session(), session(OTHER)], losses=[restart(140, 60, OTHER)]
    )
    assert (foreign.restarts, foreign.losses) == ((), ())


def test_losses_are_told_on_the_captures_clock() -> None:
    lost = LossEvent(ONE, 0, START + 30_000, 2, 40, START + 20_000)
    coverage = covered(losses=[lost], sessions=[session(clock_offset_ms=60_000)])
    (moved,) = coverage.losses
    assert (moved.since_ms, moved.time_ms, moved.records) == (START + 80_000, START + 90_000, 40)
    unknown = covered(losses=[LossEvent(ONE, 0, START, 2, 40)], sessions=[session(clock_offset_ms=60_000)])
    assert (unknown.losses[0].since_ms, unknown.losses[0].time_ms) == (None, START + 60_000)


def test_the_longest_timeout_announced_counts() -> None:
    sessions = [session(active_timeout_s=120), session(OTHER, active_timeout_s=300), session(UNKNOWN)]
    coverage = covered(sessions=sessions)
    assert (coverage.resolution_s, coverage.resolution_known) == (300, True)
    assert "every 300 s" in note_with(coverage, "shorter bursts")
    assert "60 s is assumed" in note_with(covered(), "Too few long flows")


def test_sampling_is_the_packets_that_each_seen_one_stands_for() -> None:
    # 100 packets seen at 1 in 10, 300 whole ones: 1300 from 400.
    rows = [up(packets=1000, sampling=10), up(packets=300, src_port=9)]
    coverage = covered(rows)
    assert coverage.sampling == 3.25
    # 1.96 / sqrt(400) is 9.8 per cent.
    assert "scaled by 3.25; the total has an error of about 9.8%" in note_with(coverage, "sampled")
    assert none_has(covered(), "sampled")
    assert covered().sampling == 1.0


@pytest.mark.parametrize(
    ("packets", "size", "protocol", "frames"),
    [
        (100, 1514, 6, True),
        (99, 1514, 6, False),  # too few to tell
        (100, 1509, 6, True),
        (100, 1508, 6, False),  # what rounding may make of 1500
        (100, 1522, 6, True),  # a VLAN tag and the check sequence
        (100, 1523, 6, False),  # jumbo frames
        (100, 1514, 17, False),
    ],
)
def test_full_packets_longer_than_ethernet_carries_are_frames(
    packets: int, size: int, protocol: int, frames: bool
) -> None:
    coverage = covered([up(packets=packets, octets=packets * size, protocol=protocol)])
    assert none_has(coverage, "Ethernet headers") != frames


@pytest.mark.parametrize(("octets", "frames"), [(151_400, True), (151_500, False)])
def test_half_of_the_bulk_octets_are_to_be_frames(octets: int, frames: bool) -> None:
    """151,400 octets of full frames beside other bulk: 101 packets of 1499 and 1500 octets."""
    rows = [up(packets=100, octets=151_400), up(packets=101, octets=octets, src_port=9)]
    rows.append(up(packets=500, octets=500_000, src_port=10))  # no bulk: 1000 octets a packet
    assert none_has(covered(rows), "Ethernet headers") != frames


def test_links_that_no_record_names_are_told_with_the_interfaces_that_there_are() -> None:
    rows = [up(ingress_interface=port, egress_interface=port + 10, src_port=port) for port in range(4, 14)]
    coverage = covered(rows, site(two_links([7, 99], [50, 51])))
    assert note_with(coverage, "No record names") == (
        'No record names the interface of link "lte" (50, 51); the export has 4, 5, 6, 7, 8, 9, 10, 11.'
    )


def test_a_link_whose_records_did_not_count_is_no_link_that_none_names() -> None:
    """Its interface shows on records that are metered elsewhere, or that only pass another one."""
    rows = [up(egress_interface=WAN, ingress_interface=LTE, direction=1), up(src_port=9)]
    assert none_has(covered(rows, site(two_links())), "No record names")
    assert none_has(covered([up()], site(two_links([WAN], [LAN]))), "No record names")


@pytest.mark.parametrize(("lan", "whose"), [(("192.168.40.0/24",), "the profile's"), ((), "private")])
def test_without_interface_numbers_networks_tell_up_and_down(lan: tuple[str, ...], whose: str) -> None:
    bare = up(ingress_interface=None, egress_interface=None)
    said = note_with(covered([bare], site(lan=lan)), "up and down follow")
    assert said == f"The export has no interface numbers: up and down follow from {whose} networks."
    unnamed = [Link(name="fibre", interfaces=[], down_mbps=100, up_mbps=40, framing="ip")]
    said = note_with(covered([up()], site(unnamed, lan)), "up and down follow")
    assert said == f"The link's interfaces are not named: up and down follow from {whose} networks."
    apart = covered([bare], site(two_links()))
    assert not apart.links_apart
    assert note_with(apart, "told apart").startswith("The export has no interface numbers")


def test_exporters_that_the_profile_does_not_name_are_counted() -> None:
    both = [session(), session(OTHER), session(UNKNOWN)]
    assert note_with(covered(sessions=both), "exporters count").startswith("Records of 2 exporters count")
    assert none_has(covered(sessions=[session(), session(UNKNOWN)]), "exporters count")
    assert none_has(covered(profile=of(EXPORTER, "192.0.2.11"), sessions=both), "exporters count")


def test_names_of_interfaces_are_those_of_the_sites_exporters() -> None:
    told = {
        (ONE, 2): InterfaceReport(ONE, 2, "wan0", "to the carrier"),
        (ONE, 1): InterfaceReport(ONE, 1, "", "office"),
        (ONE, 3): InterfaceReport(ONE, 3),
        (OTHER, 4): InterfaceReport(OTHER, 4, "elsewhere"),
    }
    coverage = covered(profile=of(EXPORTER), sessions=[session(), session(OTHER)], interfaces=told)
    assert coverage.interface_names == {LAN: "office", WAN: "wan0"}


def test_records_without_times_or_of_no_ip_are_counted() -> None:
    bare: dict[str, Any] = {"src_address": None, "dst_address": None, "octets": 0}
    rows = [up(), up(start=None, end=None), up(**bare)]
    assert "1 record without usable times was left out." in told(covered(rows).remarks)
    assert "1 record is not of IP and counts on no link." in told(covered(rows).remarks)
    rows += [up(start=None, end=None), down(**bare)]
    assert "2 records without usable times were left out." in told(covered(rows).remarks)
    assert "2 records are not of IP and count on no link." in told(covered(rows).remarks)


def test_three_problems_are_told_and_the_others_counted() -> None:
    problems = [Problem("a.pcap", 0, "cut off"), Problem("", None, "damaged", 2), Problem("b", 1, "odd", 3)]
    coverage = covered(problems=problems)
    assert {"a.pcap: cut off.", "damaged (2 times).", "b: odd (3 times)."} <= {*told(coverage.remarks)}
    assert none_has(coverage, "more kinds")
    more = covered(problems=[*problems, Problem("c", 0, "fourth"), Problem("d", 0, "fifth")])
    assert "2 more kinds of problems; flowdiag inspect lists them." in told(more.remarks)
    assert none_has(more, "fourth")


def test_what_readers_and_decoder_remark_ends_with_one_full_stop() -> None:
    notes = told(covered(notes=["said so.", "said without"]).remarks)
    assert notes[-2:] == ("said so.", "said without.")
