"""Tables of sampling rates by themselves: their size, what changes them, which rate is the nearest."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from flowdiag.collector.decode import ie
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.naming import Names
from flowdiag.collector.decode.options import Options, OptionValues, exporter_address
from flowdiag.collector.decode.sampling import MAX_FACTOR, Sampling, plausible, sampling_factors
from flowdiag.collector.decode.templates import V9_INTERFACE_SCOPE, V9_SCOPE, Field
from flowdiag.collector.report import ExportReport
from tests.collector.decode.fake_columns import FakeColumns

MOST = 1 << 24  # one packet in 16,777,216
NONE = Sampling()
FULL = (
    NONE.with_domain(2.0)
    .with_selector(1, 3.0)
    .with_selector(2, 4.0)
    .with_interface(7, 5.0)
    .with_sequence(9, (1, 2))
    .with_attained(8, 6.0)
    .with_attained(10, 7.0)
)


@pytest.mark.parametrize(
    ("factor", "believed"), [(0.0, False), (0.999, False), (1.0, True), (MOST, True), (MOST + 1, False)]
)
def test_a_factor_is_one_at_least_and_16_million_at_most(factor: float, believed: bool) -> None:
    assert MAX_FACTOR == MOST
    assert plausible(factor) == (factor if believed else None)
    assert factors(SAMPLING_INTERVAL=[factor]) == [factor if believed else 1.0]


def test_the_size_of_a_table_is_all_of_its_entries_but_the_domains() -> None:
    assert NONE.with_domain(9.0).size == 0
    assert FULL.size == 6


def test_telling_the_same_again_makes_no_other_table() -> None:
    for same in (
        FULL.with_domain(2.0), FULL.with_selector(1, 3.0), FULL.with_interface(7, 5.0), FULL.with_sequence(9, (1, 2)),
        FULL.with_attained(8, 6.0),
    ):  # fmt: skip
        assert same is FULL


@pytest.mark.parametrize(
    ("later", "changes"),
    [
        (FULL, False),
        (FULL.with_domain(3.0), True),
        (FULL.with_selector(1, 3.5), True),
        (FULL.with_selector(5, 3.0), False),  # one that was not there before
        (FULL.with_interface(7, 5.5), True),
        (FULL.with_interface(8, 5.0), False),
        (FULL.with_sequence(9, (1,)), True),
        (FULL.with_sequence(11, (1,)), False),
        (FULL.with_attained(8, 6.5), True),
        (FULL.with_attained(12, 6.0), False),
        (NONE, True),
    ],
)
def test_a_table_changes_where_it_gave_another_rate(later: Sampling, changes: bool) -> None:
    assert FULL.changes(later) == changes
    assert not NONE.changes(later)


def test_the_only_selector_is_one_no_longer_when_a_second_is_told() -> None:
    one = NONE.with_selector(1, 3.0)
    assert (NONE.only_selector, one.only_selector, FULL.only_selector) == (None, 3.0, None)
    assert one.changes(one.with_selector(2, 3.0))


def test_a_sequence_has_the_product_of_its_selectors_or_what_it_attained() -> None:
    assert FULL.of_sequence(9) == 12.0
    assert FULL.of_sequence(8) == 6.0
    assert FULL.of_sequence(99) is None
    assert FULL.with_sequence(8, (1, 5)).of_sequence(8) == 6.0  # selector 5 is not known
    assert FULL.with_sequence(8, (1,)).of_sequence(8) == 3.0  # what is configured counts before it
    large = FULL.with_selector(1, float(MOST)).with_sequence(9, (1, 2))
    assert large.of_sequence(9) == MOST


def factors(
    table: Sampling = NONE, session: Sampling | None = None, **columns: list[float]
) -> list[float] | float:
    given: dict[str, Any] = {name: np.array(values, np.uint64) for name, values in columns.items()}
    for name, values in columns.items():
        if any(value % 1 for value in values):  # no such integers
            given[name] = np.array(values)
    read: Any = FakeColumns(len(next(iter(columns.values()), [])), **given)
    found = sampling_factors(read, table, session)
    return found if isinstance(found, float) else found.tolist()


def test_the_rate_farthest_away_counts_where_nothing_nearer_is_told() -> None:
    assert factors() == 1.0
    assert factors(NONE.with_domain(4.0), NONE.with_domain(9.0)) == 4.0
    assert factors(NONE, NONE.with_domain(9.0)) == 9.0
    assert factors(NONE.with_selector(1, 5.0), NONE.with_domain(9.0)) == 5.0
    assert factors(NONE.with_selector(1, 5.0).with_domain(4.0)) == 4.0
    for name in ("SAMPLER_ID", "SELECTOR_ID", "SELECTION_SEQUENCE_ID"):
        found = factors(NONE.with_selector(1, 5.0), NONE.with_domain(9.0), **{name: [2]})
        assert found in (9.0, [9.0])


def test_rates_in_records_are_read_in_each_of_their_forms() -> None:
    assert factors(SAMPLER_RANDOM_INTERVAL=[10, 0]) == [10.0, 1.0]
    assert factors(SAMPLING_INTERVAL=[20], SAMPLER_RANDOM_INTERVAL=[10]) == [20.0]
    # One packet and nine left out; 2 of 7; of nothing taken nothing follows.
    assert factors(SAMPLING_PACKET_INTERVAL=[1, 2, 0], SAMPLING_PACKET_SPACE=[9, 3, 5]) == [10.0, 2.5, 1.0]
    assert factors(SAMPLING_SIZE=[2, 0], SAMPLING_POPULATION=[7, 5]) == [3.5, 1.0]
    assert factors(SAMPLING_PACKET_INTERVAL=[1]) == factors(SAMPLING_POPULATION=[7]) == 1.0
    assert factors(SAMPLING_SIZE=[8], SAMPLING_POPULATION=[7]) == [1.0]  # less than one is none


def test_the_nearer_rate_counts_where_it_is_told() -> None:
    near = NONE.with_selector(4, 11.0).with_selector(5, 12.0).with_interface(7, 5.0).with_domain(3.0)
    far = NONE.with_selector(6, 13.0).with_interface(8, 6.0).with_domain(2.0)
    found = factors(
        near,
        far,
        SAMPLING_INTERVAL=[17, 0, 0, 0, 0, 0],
        SELECTOR_ID=[4, 4, 6, 0, 0, 0],
        INGRESS_INTERFACE=[7, 7, 7, 7, 8, 9],
    )
    assert found == [17.0, 11.0, 13.0, 5.0, 6.0, 3.0]
    assert factors(near, SAMPLER_ID=[5, 9], INGRESS_INTERFACE=[7, 7]) == [12.0, 5.0]


def test_an_interface_is_that_of_the_metering_point() -> None:
    table = NONE.with_interface(7, 5.0).with_interface(8, 6.0)
    assert factors(table, INGRESS_INTERFACE=[7, 7], EGRESS_INTERFACE=[8, 8], FLOW_DIRECTION=[0, 1]) == [
        5.0,
        6.0,
    ]
    assert factors(table, INGRESS_INTERFACE=[7], EGRESS_INTERFACE=[8]) == [5.0]
    assert factors(table, EGRESS_INTERFACE=[8]) == [6.0]
    assert factors(table, SOURCE_PORT=[8]) == 1.0


def test_a_selection_sequence_counts_before_its_selectors() -> None:
    assert factors(FULL, SELECTION_SEQUENCE_ID=[9, 8, 1], SELECTOR_ID=[1, 1, 1]) == [12.0, 6.0, 3.0]
    attained = NONE.with_attained(8, 6.0)
    assert factors(attained, SELECTION_SEQUENCE_ID=[8, 9]) == [6.0, 1.0]


# What options tell --------------------------------------------------------------------------------------------------


def options(**limits: int) -> Options:
    some = Limits(**limits)
    return Options(ExportReport(), some, Names(ExportReport(), some))


def values(*told: tuple[int, int]) -> OptionValues:
    """Integers of four octets by element."""
    return OptionValues((Field(number, 0, 4), value.to_bytes(4, "big")) for number, value in told)


def domain() -> Any:
    return SimpleNamespace(report=SimpleNamespace(sampling_note=""))


def test_entries_beyond_the_bound_are_left_out_and_known_ones_may_change() -> None:
    taking = options(samplers=2)
    table = NONE
    for number, rate in ((1, 10), (2, 20), (3, 30), (1, 15)):
        table = taking._sampling(
            domain(), values((ie.SELECTOR_ID, number), (ie.SAMPLING_INTERVAL, rate)), table
        )
    assert table.selectors == {1: 15.0, 2: 20.0}
    few = options(all_samplers=1)
    for number in (1, 2):
        table = few._sampling(domain(), values((ie.SAMPLER_ID, number), (ie.SAMPLING_INTERVAL, 9)), NONE)
        assert dict(table.selectors) == ({1: 9.0} if number == 1 else {})


@pytest.mark.parametrize(
    ("told", "table"),
    [
        (((ie.SAMPLING_INTERVAL, 9),), NONE.with_domain(9.0)),
        (((ie.SELECTOR_ID, 0), (ie.SAMPLING_INTERVAL, 9)), NONE.with_selector(0, 9.0)),
        (((ie.SELECTOR_ID, 3), (ie.SAMPLER_ID, 4), (ie.SAMPLING_INTERVAL, 9)), NONE.with_selector(3, 9.0)),
        (((ie.EGRESS_INTERFACE, 5), (ie.SAMPLING_INTERVAL, 9)), NONE.with_interface(5, 9.0)),
        (((ie.INGRESS_INTERFACE, 0), (ie.SAMPLING_INTERVAL, 9)), NONE.with_domain(9.0)),
        (((ie.SELECTOR_ALGORITHM, 4), (ie.SAMPLING_INTERVAL, 9)), NONE.with_domain(9.0)),
        (((ie.SELECTOR_ALGORITHM, 5), (ie.SAMPLING_INTERVAL, 9)), NONE.with_domain(1.0)),
        (((ie.SELECTOR_ALGORITHM, 8), (ie.SAMPLING_INTERVAL, 9)), NONE.with_domain(1.0)),
        (((ie.SELECTOR_ALGORITHM, 9), (ie.SAMPLING_INTERVAL, 9)), NONE.with_domain(9.0)),
        (((ie.SELECTION_SEQUENCE_ID, 6), (ie.SELECTOR_ID, 1), (ie.SELECTOR_ID, 2)), NONE.with_sequence(6, (1, 2))),
        (((ie.SELECTION_SEQUENCE_ID, 6), (ie.PACKETS_OBSERVED, 90), (ie.PACKETS_SELECTED, 30)), NONE.with_attained(6, 3.0)),
        (((ie.SELECTION_SEQUENCE_ID, 6), (ie.PACKETS_OBSERVED, 90), (ie.PACKETS_SELECTED, 91)), NONE),
        (((ie.SELECTION_SEQUENCE_ID, 6), (ie.PACKETS_OBSERVED, 90), (ie.PACKETS_SELECTED, 0)), NONE),
        (
            ((ie.SELECTION_SEQUENCE_ID, 6), (ie.PACKETS_OBSERVED, 90), (ie.PACKETS_SELECTED, 1), (ie.PACKETS_SELECTED, 45)),
            NONE.with_attained(6, 2.0),  # after the last of several selectors
        ),
        (((ie.PACKETS_OBSERVED, 90), (ie.PACKETS_SELECTED, 30)), NONE),
        ((), NONE),
    ],
)  # fmt: skip
def test_where_a_rate_that_options_tell_applies(told: tuple[tuple[int, int], ...], table: Sampling) -> None:
    assert options()._rates(domain(), values(*told), NONE) == table


@pytest.mark.parametrize(("selectors", "known"), [(2, True), (3, False)])
def test_a_sequence_has_as_many_selectors_as_lists_may_be_deep(selectors: int, known: bool) -> None:
    told = values((ie.SELECTION_SEQUENCE_ID, 6), *((ie.SELECTOR_ID, n) for n in range(selectors)))
    assert bool(options(list_depth=2)._rates(domain(), told, NONE).sequences) == known


def test_values_are_those_of_the_registry_and_of_interface_scopes() -> None:
    found = OptionValues(
        [
            (Field(34, 0, 8), b"\0" * 7 + b"\x05"), (Field(34, 0, 1), b"\x06"), (Field(36, 9, 1), b"\x07"),
            (Field(V9_INTERFACE_SCOPE, V9_SCOPE, 2), b"\x01\x02"), (Field(1, V9_SCOPE, 1), b"\x08"),
            (Field(37, 0, 9), b"\x01" * 9), (Field(311, 0, 2), b"\x3f\x00"),
        ]
    )  # fmt: skip
    assert (found.integer(34), found.integers(34), found.octets(34)) == (5, (5, 6), b"\0" * 7 + b"\x05")
    assert 36 not in found
    assert (found.integer(36), found.integers(36), found.octets(36)) == (0, (), b"")
    assert found.integer(ie.INGRESS_INTERFACE) == 0x0102
    assert 1 not in found
    assert found.integer(37) == 0  # nine octets are no integer
    assert (found.real(311), found.real(99)) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("v4", "v6", "address"),
    [
        (b"\xc0\x00\x02\x01", b"", bytes(10) + b"\xff\xff\xc0\x00\x02\x01"),
        (bytes(4), bytes(15) + b"\x01", bytes(15) + b"\x01"),
        (bytes(4), bytes(16), None),
        (b"\x01\x02\x03", b"\x01" * 15, None),
        (b"", b"", None),
    ],
)
def test_an_exporter_is_named_by_an_address_of_its_length(
    v4: bytes, v6: bytes, address: bytes | None
) -> None:
    told = OptionValues([(Field(130, 0, len(v4)), v4), (Field(131, 0, len(v6)), v6)])
    assert exporter_address(told) == address
