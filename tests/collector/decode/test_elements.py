"""Names and types of elements as IANA registers them, and of their reverse ones."""

from __future__ import annotations

from flowdiag.collector.decode.elements import REVERSE, element, element_name


def test_an_element_is_as_registered() -> None:
    octets = element(1)
    assert octets is not None
    assert (octets.id, octets.name, octets.type, octets.semantics, octets.units) == (
        1, "octetDeltaCount", "unsigned64", "deltaCounter", "octets"
    )  # fmt: skip


def test_a_reverse_element_has_the_forward_ones_type_and_its_name_behind_reverse() -> None:
    # RFC 5103 6.1
    back = element(1, REVERSE)
    assert back is not None
    assert (back.name, back.type) == ("reverseOctetDeltaCount", "unsigned64")
    assert element_name(1, REVERSE) == "reverseOctetDeltaCount"


def test_what_nobody_registered_is_told_by_its_numbers() -> None:
    assert element(32_000) is None
    assert element(32_000, REVERSE) is None
    assert element(1, 64_999) is None
    assert [element_name(32_000), element_name(1, 64_999)] == ["0/32000", "64999/1"]
