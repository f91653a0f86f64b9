"""Evidence reads like a sentence of an engineer, with units, and rounded to what it supports."""

from typing import Any

import pytest
from msgspec.structs import replace

from flowdiag.aggregator.figures import Ranked
from flowdiag.diagnoser.evidence import keys_of
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.kinds import KINDS
from flowdiag.note.figures import (
    MOST_SPELLS,
    bare_rate,
    evidence_rows,
    link_rows,
    more_rows,
    plain_rate,
    ranked_table,
    who_rows,
)
from flowdiag.text.clock import Clock
from tests.note.building import full_upload, ms

CLOCK = Clock("Pacific/Auckland")


def finding(**evidence: Any) -> Finding:
    """A finding of the first kind whose evidence can have these keys."""
    code = next(kind.code for kind in KINDS if set(evidence) <= set(keys_of(kind.evidence)))
    return Finding(code, "critical", "high", "", "", evidence=evidence)


@pytest.mark.parametrize(
    ("key", "value", "shown"),
    [
        ("mean_mbps", 39.1234, ("mean", "39.1 Mbit/s")),
        ("mean_mbps", 0.004, ("mean", "4.0 kbit/s")),
        ("mean_mbps", 0.00001, ("mean", "under 0.1 kbit/s")),
        ("full_minutes", 34, ("full", "34 min")),
        ("full_minutes", 43_210, ("full", "43,210 min")),
        ("minutes", 18.5, ("lasted", "19 minutes")),  # as a sentence tells 1,110 seconds
        ("minutes", 0.83, ("lasted", "50 seconds")),
        ("minutes_on_backup", 20.5, ("on the backup", "21 min")),
        ("gap_s", 2.5, ("gap of the switch", "2.5 seconds")),
        ("gap_s", 1.0, ("gap of the switch", "1 second")),
        ("missing_s", 7_200.0, ("missing for", "2 hours")),
        ("interval_s", 10.0, ("planned interval", "10 seconds")),
        ("unanswered_share", 0.873, ("share unanswered", "87%")),
        ("marked_share", 0.0, ("share with priority marking", "0%")),
        ("share_of_plan", 0.61, ("share of the plan", "61%")),
        ("lost_percent", 4.21, ("lost", "4.2%")),
        ("lost_percent", 100.0, ("lost", "100%")),
        ("lost_percent", 99.96, ("lost", "99%")),
        ("lost_percent", 0.0004, ("lost", "under 0.01%")),
        ("octets", 4_944_665_518, ("volume", "4.94 GB")),
        ("month_gb", 324.123, ("projected for a month", "324 GB")),
        ("month_gb", 1_234.5, ("projected for a month", "1,234 GB")),
        ("octets", 1_234_500_000_000, ("volume", "1,234 GB")),
        ("octets", 1, ("volume", "1 octet")),
        ("packets_times_budget", 12_345.6, ("times the planned packets", "12,346")),
        ("peak_packets_s", 11_980, ("peak", "11,980 packets a second")),
        ("attempts", 1_212, ("attempts", "1,212")),
        ("port", 8_443, ("port", "8443")),
        ("protocol", "icmp", ("protocol", "ICMP")),
        ("at_work_shown_by", "hours", ("that people were at work is shown by", "the working hours")),
        ("mean_packet_octets", 60, ("mean packet", "60 octets")),
        ("most_addresses_in_ten_minutes", 1_583, ("most addresses in ten minutes", "1,583")),
        ("fills_link", True, ("fills the link", "")),
        ("only", "IPv6", ("carries only", "IPv6")),
        ("ports", [22, 23], ("ports", "22, 23")),
        (
            "spells",
            [{"from": "2026-03-03T13:20:00+13:00", "to": "2026-03-03T13:26:00+13:00"}],
            ("spells", "13:20 to 13:26"),
        ),
        (
            "switches",
            [
                {"from": "2026-03-03T13:20:00+13:00", "to": "2026-03-03T13:26:00+13:00", "gap_s": 2.5},
                {"from": "2026-03-03T23:50:00+13:00", "to": "2026-03-04T00:10:00+13:00", "gap_s": None},
            ],
            ("switches", "Tue 3 Mar 13:20 to 13:26 (gap 2.5 s), Tue 3 Mar 23:50 to Wed 4 Mar 00:10"),
        ),
    ],
)
def test_a_figure_has_a_name_and_a_unit(key: str, value: Any, shown: tuple[str, str]) -> None:
    assert evidence_rows(finding(**{key: value}), CLOCK) == (shown,)


@pytest.mark.parametrize(("number", "name"), [(6, "TCP"), (99, "99")])
def test_protocols_have_the_names_of_their_numbers(number: int, name: str) -> None:
    flood = replace(finding(protocol=number), code="inbound-flood")
    assert evidence_rows(flood, CLOCK) == (("protocol", name),)


def test_a_long_list_of_spells_is_cut_and_counted() -> None:
    spells = [
        {"from": f"2026-03-03T{hour}:20:00+13:00", "to": f"2026-03-03T{hour}:26:00+13:00"}
        for hour in range(10, 20)
    ]
    ((name, shown),) = evidence_rows(finding(spells=spells), CLOCK)
    assert shown.count(" to ") == MOST_SPELLS
    assert (name, shown[-26:]) == ("spells", "17:20 to 17:26, and 2 more")


def test_minutes_of_a_finding_are_a_part_of_its_time() -> None:
    lasted = replace(finding(full_minutes=34, busy_minutes=37), start_ms=ms(0), end_ms=ms(40))
    assert evidence_rows(lasted, CLOCK) == (("full", "34 of 40 minutes"), ("busy", "37 of 40 minutes"))
    single = replace(finding(full_minutes=1), start_ms=ms(0), end_ms=ms(3))
    assert evidence_rows(single, CLOCK) == (("full", "1 of 3 minutes"),)


def test_minutes_of_a_link_are_a_part_of_the_time_looked_at() -> None:
    given = full_upload()
    rows = link_rows(given.links, given.case.window_ms)
    assert [row[-2:] for row in rows] == [("0", "0"), ("34 of 40", "34 of 40"), ("0", "0"), ("0", "0")]


def test_what_is_unknown_or_shown_elsewhere_is_left_out() -> None:
    assert evidence_rows(finding(gap_s=None, still_on_backup=False, full_minutes_up=0), CLOCK) == ()
    assert evidence_rows(finding(other_links=[], packets_by_other_links=0), CLOCK) == ()
    assert evidence_rows(finding(hosts=[{"address": "a"}], link="fibre"), CLOCK) == ()
    assert evidence_rows(finding(flatness=0.02), CLOCK) == ()


def test_shares_too_small_to_matter_are_left_to_the_json() -> None:
    hosts = [
        {"address": "192.0.2.1", "label": "desk", "share": 0.95},
        {"address": "192.0.2.2", "label": None, "share": 0.0099},
    ]
    assert who_rows(finding(hosts=hosts)) == (("Devices", "192.0.2.1 (desk) 95%"),)
    assert who_rows(finding(applications=[{"application": "dns", "share": 0.004}])) == (
        ("Applications", "many, each under 1%"),
    )
    assert who_rows(finding(destinations=[{"address": "192.0.2.9", "share": 0.0}])) == ()


def test_a_long_list_says_how_many_more_there_are() -> None:
    hosts = [{"address": f"192.0.2.{n}", "label": None, "share": 0.14} for n in range(1, 8)]
    assert who_rows(finding(hosts=hosts)) == (
        (
            "Devices",
            "192.0.2.1 14%, 192.0.2.2 14%, 192.0.2.3 14%, 192.0.2.4 14%, 192.0.2.5 14%, and 2 more",
        ),
    )


@pytest.mark.parametrize(
    ("mbps", "shown"),
    [
        (0, "0"),
        (0.004, "under 0.01"),
        (0.5, "0.50"),
        (4, "4.00"),
        (9.76, "9.76"),
        (17.33, "17.3"),
        (1_234.5, "1,234"),
    ],
)
def test_measured_rates_have_about_three_figures(mbps: float, shown: str) -> None:
    assert bare_rate(mbps) == shown


@pytest.mark.parametrize(
    ("mbps", "shown"), [(100, "100"), (17.5, "17.5"), (0.5, "0.5"), (37.5, "37.5"), (10_000, "10,000")]
)
def test_plan_rates_are_written_as_plans_are(mbps: float, shown: str) -> None:
    assert plain_rate(mbps) == shown


def rows(count: int, label: str | None = None) -> list[Ranked]:
    return [Ranked(f"192.0.2.{n}", label, 1_000_000, 10, 2, 1 / count) for n in range(count)]


def test_names_are_a_column_only_where_there_are_any() -> None:
    assert ranked_table("Address", rows(1)) == (
        ("Address", "Volume", "Share", "Flows"),
        [("192.0.2.0", "1.00 MB", "100%", "2")],
    )
    assert ranked_table("Address", rows(1, "desk"))[1] == [("192.0.2.0", "desk", "1.00 MB", "100%", "2")]


def test_a_shortened_ranking_says_what_it_leaves_out() -> None:
    assert more_rows(rows(8)) is None
    assert more_rows(rows(9)) == 'All others together have 11%; "flowdiag top" lists them.'
    assert more_rows(rows(16)) == 'All others together have 50%; "flowdiag top" lists them.'
