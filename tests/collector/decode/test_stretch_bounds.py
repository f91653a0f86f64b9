"""A batch and what it tells by itself: places, octets that wait, minutes heard, sets that come late, names of a batch."""

from __future__ import annotations

import struct
from array import array
from types import SimpleNamespace
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from flowdiag.collector.decode.allowance import Allowance
from flowdiag.collector.decode.domain import SETS, Domain, Group, HeldSet, Stream
from flowdiag.collector.decode.limits import (
    GROUP_COST,
    MAX_IDS_NAMED,
    MESSAGE_COST,
    SET_COST,
    VALUE_COST,
    Limits,
)
from flowdiag.collector.decode.malformed import Malformed
from flowdiag.collector.decode.message_decoder import NEVER_TAUGHT, SAMPLING_INTERVAL, data_set, withdrawn
from flowdiag.collector.decode.naming import Names, Vocabulary
from flowdiag.collector.decode.normalise import _begins, _set_numbers_of_records, _sum
from flowdiag.collector.decode.stretch import Stretch, _sparse
from flowdiag.collector.decode.templates import Field, Template, Withdrawal
from flowdiag.collector.report import ExportReport, SessionReport
from tests.collector.decode.wire import EXPORT_S, a_set, decode, ipfix, netflow9, session

PLAIN = Template(256, (Field(8, 0, 4), Field(1, 0, 4)))
VARYING = Template(257, (Field(8, 0, 4), Field(82, 0, 65535), Field(83, 0, 65535)))


def domain(stream: Stream | None = None, version: int = 10, number: int = 1, index: int = 1) -> Domain:
    return Domain(stream or Stream(session()), version, number, index, SessionReport(b"", 0, number, "ipfix"))


# What waits ---------------------------------------------------------------------------------------------------------


def test_a_data_set_waits_with_those_of_its_template() -> None:
    stretch, of = Stretch(3, "a"), domain()
    stretch.add_data(of, PLAIN, bytes(16), None, 2, 5 * SETS)
    stretch.add_data(of, PLAIN, bytes(8), None, 1, 5 * SETS + 1)
    (group,) = stretch.groups
    assert (group.set_numbers.tolist(), group.counts.tolist(), group.starts.tolist()) == (
        [5 * SETS, 5 * SETS + 1], [2, 1], []
    )  # fmt: skip
    assert (stretch.rows, stretch.octets) == (3, GROUP_COST + 24 + 2 * SET_COST)
    assert (of.groups, of.varying, of.sets_waiting(256), of.sets_waiting(257)) == ({256: group}, {}, 2, 0)
    stretch.add_data(of, VARYING, bytes(12), [0, 6], 2, 6 * SETS)
    assert of.varying[257].starts.tolist() == [0, 6]
    assert stretch.octets == 2 * GROUP_COST + 36 + 3 * SET_COST + 2 * 2 * VALUE_COST
    assert (stretch.rows, of.sets_waiting(257)) == (5, 1)
    again = Template(256, PLAIN.fields)
    stretch.add_data(of, again, bytes(8), None, 1, 7 * SETS)  # a definition that is another object
    assert (len(stretch.groups), of.groups[256].template) == (3, again)
    stretch.seal()
    assert (of.groups, of.varying) == ({}, {})


def test_groups_of_a_template_that_was_replaced_are_used_no_longer() -> None:
    stretch, of = Stretch(0, "a"), domain()
    for template in (PLAIN, VARYING):
        stretch.add_data(of, template, bytes(12), [0] if template is VARYING else None, 1, 0)
    of.templates = {256: PLAIN, 257: Template(257, VARYING.fields)}
    of.drop_outdated_groups()
    assert ([*of.groups], [*of.varying]) == ([256], [])
    of.templates = {}
    of.drop_outdated_groups()
    assert ([*of.groups], [*of.varying]) == ([], [])


def test_a_group_keeps_what_was_told_when_its_batch_ended() -> None:
    stream = Stream(session())
    whole, own = domain(stream, number=0, index=0), domain(stream)
    stream.domains[10] = {0: whole, 1: own}
    assert (own.whole_session, whole.whole_session) == (whole, None)
    assert domain(stream, version=9).whole_session is None
    group = Group(own, VARYING)
    assert (group.values, group.width) == (2, 6)
    whole.init_ms, whole.sampling = 7, whole.sampling.with_domain(5.0)
    group.seal()
    assert (group.init_ms, group.sampling) == (7, (own.sampling, whole.sampling))
    own.init_ms = 0
    group.seal()
    assert group.init_ms == 0  # told by the domain itself


@pytest.mark.parametrize(
    ("epoch_of", "place", "records", "unknown"), [(4, 0, 5, {0: 30}), (3, 1, 2, {0: 50})]
)
def test_a_held_set_counts_in_its_message_or_has_a_place_of_its_own(
    epoch_of: int, place: int, records: int, unknown: dict[int, int]
) -> None:
    stretch, of = Stretch(4, "a"), domain()
    stretch.add_message(of, ipfix(), 9)
    stretch.records[0], stretch.unknown[0] = 2, 50
    held = HeldSet(bytes(20), epoch_of, 0, ipfix().ljust(24, b"\0"), 77, None)
    assert stretch.bring_back(of, held, 3) == place
    assert (stretch.records[0], stretch.unknown) == (records, unknown)
    late = place == 1
    assert (of.late_records, len(stretch.headers)) == (3 * late, 1 + late)
    assert stretch.octets == MESSAGE_COST * (1 + late)
    assert stretch.locate(place) == ("a", 77 if late else 9)
    assert list(stretch.domains) == [1, -1][: 1 + late]
    assert list(stretch.records)[1:] == [0] * late


def test_sparse_values_stand_at_their_messages() -> None:
    assert _sparse({}, 3).tolist() == [0, 0, 0]
    assert _sparse({2: 7, 0: 5}, 3).tolist() == [5, 0, 7]


@pytest.mark.parametrize(("bound", "kept"), [(5, 4), (4, 4), (3, 3), (1, 1), (0, 0)])
def test_minutes_are_remembered_up_to_their_bound_through_all_batches(bound: int, kept: int) -> None:
    """Minutes 0, 0, 1 in one batch and 1, 2, 3 in the next."""
    report, of, limits = ExportReport(), domain(), Limits(heard_minutes=bound)
    begin = EXPORT_S // 60
    for minutes in ((0, 0, 1), (1, 2, 3)):
        stretch = Stretch(0, "a")
        for minute in minutes:
            stretch.add_message(of, ipfix(export_s=60 * (begin + minute)), 0)
        stretch.evaluate(stretch.read_headers(), {1: of}, report, limits, Allowance(9))
    (heard,) = report.heard_minutes.values()
    assert heard == {begin + minute for minute in range(kept)}
    assert (of.report.messages, of.report.first_export_ms, of.report.last_export_ms) == (
        6, 60_000 * begin, 60_000 * (begin + 3)
    )  # fmt: skip


@pytest.mark.parametrize(("domains", "late"), [(2, True), (2, False), (1, True), (1, False)])
def test_messages_of_several_domains_are_told_apart_and_late_ones_passed_over(
    domains: int, late: bool
) -> None:
    stream = Stream(session())
    one, other = domain(stream, index=1), domain(stream, version=9, index=2)
    stretch, report = Stretch(0, "a"), ExportReport()
    stretch.add_message(one, ipfix(export_s=EXPORT_S), 0)
    if domains == 2:
        stretch.add_message(other, netflow9(export_s=EXPORT_S + 5), 0)
    stretch.add_message(one, ipfix(export_s=EXPORT_S + 9), 0)
    if late:
        header = ipfix(export_s=EXPORT_S - 99).ljust(24, b"\0")
        stretch.bring_back(one, HeldSet(b"", 7, 0, header, 0, None), 1)
    stretch.evaluate(stretch.read_headers(), {1: one, 2: other}, report, Limits(), Allowance(9))
    assert (one.report.messages, other.report.messages) == (2, domains - 1)
    assert (one.report.first_export_ms, one.report.last_export_ms) == (
        EXPORT_S * 1000,
        EXPORT_S * 1000 + 9000,
    )
    assert other.report.first_export_ms == (EXPORT_S * 1000 + 5000 if domains == 2 else None)
    assert sorted(stream.sequences) == ([9, 10] if domains == 2 else [10])


@pytest.mark.parametrize(("version", "uptime"), [(10, False), (9, True), (5, True)])
def test_times_of_data_sets_are_those_of_their_messages(version: int, uptime: bool) -> None:
    stretch, of = Stretch(0, "a"), domain(version=version)
    for second in range(3):
        stretch.add_message(of, netflow9(export_s=EXPORT_S + second, uptime_ms=100 + second), 0)
    group = Group(of, PLAIN)
    group.set_numbers.extend((2 * SETS + SETS - 1, SETS, 0))
    export_ms, uptime_ms = stretch.times_of(group, stretch.read_headers())
    assert [(time - EXPORT_S * 1000) // 1000 for time in export_ms.tolist()] == [2, 1, 0]
    assert (None if uptime_ms is None else uptime_ms.tolist()) == ([102, 101, 100] if uptime else None)


# Data sets and withdrawals ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("octets", "records"), [(0, 0), (7, 0), (8, 1), (15, 1), (16, 2)])
def test_a_data_set_has_as_many_records_as_fit(octets: int, records: int) -> None:
    found = data_set(PLAIN, bytes(octets))
    assert (found.records, found.part, found.starts) == (records, bytes(8 * records), None)


def test_a_varying_data_set_tells_where_its_records_start() -> None:
    octets = bytes(4) + b"\x01a\x00" + bytes(4) + b"\x00\x02bc"
    found = data_set(VARYING, octets)
    assert (found.records, found.part, found.starts) == (2, octets, [0, 7])
    with pytest.raises(Malformed):
        data_set(VARYING, bytes(4) + b"\x05a\x00")


@pytest.mark.parametrize(
    ("number", "options", "gone"),
    [
        (256, False, [256]),
        (258, False, []),  # withdrawn already
        (999, False, []),
        (255, False, []),
        (2, False, [256]),  # all templates, and all options templates (RFC 7011 8.1)
        (3, True, [300]),
        (3, False, []),
        (2, True, []),
        (300, False, [300]),
    ],
)
def test_what_a_withdrawal_takes_away(number: int, options: bool, gone: list[int]) -> None:
    known = {256: PLAIN, 258: None, 300: Template(300, PLAIN.fields, scopes=1, options=True)}
    assert withdrawn(Withdrawal(number, options), known) == gone


@pytest.mark.parametrize(("ids", "more"), [(MAX_IDS_NAMED, ""), (MAX_IDS_NAMED + 1, " and more")])
def test_templates_that_never_came_are_named_up_to_eight(ids: int, more: str) -> None:
    assert MAX_IDS_NAMED == 8
    message = ipfix(*(a_set(300 + n, bytes(8)) for n in reversed(range(ids))))
    (problem,) = decode(message).report.problems
    named = ", ".join(str(300 + n) for n in range(8))
    assert (problem.what, problem.count) == (f"{NEVER_TAUGHT} (template ids {named}{more} of domain 1)", ids)


def test_the_sampling_word_of_netflow5_is_fourteen_bits_of_interval() -> None:
    assert SAMPLING_INTERVAL == (1 << 14) - 1


# Rows and names of a batch ------------------------------------------------------------------------------------------


def test_rows_begin_a_message_at_its_first_data_set() -> None:
    set_numbers = np.array([0, 0, 1, SETS, SETS + 1, SETS + 1, 3 * SETS - 1, 3 * SETS])
    assert _begins(set_numbers).tolist() == [0, 3, 6, 7]
    assert _begins(np.array([5 * SETS])).tolist() == [0]
    group: Any = SimpleNamespace(set_numbers=array("q", [7, 9]), counts=array("q", [2, 3]))
    assert _set_numbers_of_records(group).tolist() == [7, 7, 9, 9, 9]


def test_sums_are_exact_beyond_64_bits() -> None:
    most = 2**64 - 1
    for values in ([], [5, 7], [most], [most, most, 1], [2**63, 2**63], [most // 2, most // 2]):
        counts = np.array(values, np.uint64)
        assert _sum(counts, None) == sum(values)
        assert _sum(counts, np.zeros(len(values), np.bool_)) == 0
        assert _sum(counts, np.arange(len(values)) > 0) == sum(values[1:])


@pytest.mark.parametrize(
    ("bound", "codes"), [(2, [0, 1, 0, -1, -1]), (1, [0, -1, 0, -1, -1]), (3, [0, 1, 0, -1, 2])]
)
def test_names_of_a_batch_have_codes_up_to_their_bound(bound: int, codes: list[int]) -> None:
    names = Vocabulary(Names(ExportReport(), Limits()), bound)
    values = pa.array([b"web", b"mail", b"web", b"", b"voice"], pa.large_binary())
    columns: Any = SimpleNamespace(
        indices=lambda number: [3] if number == 96 else [], values_at=lambda index: values
    )
    found = names.codes(columns, b"x")
    assert found is not None
    assert found.known is not None
    assert (found.values.tolist(), found.known.tolist()) == (codes, [code >= 0 for code in codes])
    assert names.names == ["web", "mail", "voice"][:bound]


@pytest.mark.parametrize(("bound", "kept"), [(3, 2), (2, 2), (1, 1)])
def test_names_told_by_options_are_kept_up_to_their_bound_and_known_ones_may_change(
    bound: int, kept: int
) -> None:
    report = ExportReport()
    names = Names(report, Limits(names=bound))
    for index in (0, 1, 2):  # there is no interface 0
        names.interface(b"x", index, b"name", b"", by_options=True)
    names.interface(b"x", 1, b"other", b"title", by_options=False)
    assert [index for _, index in report.interfaces] == [1, 2][:kept]
    one = report.interfaces[b"x", 1]
    assert (one.name, one.description) == ("name", "title")  # what options tell counts before
    names.interface(b"x", 1, b"third", b"", by_options=True)
    assert (one.name, one.description) == ("third", "title")
    for selector, name in ((1, b"a"), (2, b"b"), (1, b"c"), (3, b"")):
        names.application(b"x", struct.pack("!BB", 3, selector), name)
    assert report.applications == dict([("3:1", "c"), ("3:2", "b")][:kept])
    assert names.application_name(b"x", b"\x03\x01") == "c"
    assert names.application_name(b"y", b"\x03\x01") is None
    assert names.application_name(b"x", b"\x03") is None


def test_an_application_of_an_enterprise_is_listed_with_it() -> None:
    report = ExportReport()
    names = Names(report, Limits())
    assert not names.has_applications
    names.application(b"x", b"\x14\0\0\0\x09\x05", b"call")
    assert (names.has_applications, report.applications) == (True, {"20:9:5": "call"})
