"""Numbers of elements are those that the registry gives the names that the constants are made of."""

from __future__ import annotations

from typing import Final

import pytest

from flowdiag.collector.decode import ie
from flowdiag.collector.decode.elements import element_name

NUMBERS = {name: number for name, number in vars(ie).items() if name.isupper()}
# Words that the registry spells otherwise.
SPELT: Final = {
    "DSCP": "DIFF_SERV_CODE_POINT",
    "PACKETS_OBSERVED": "PKTS_OBSERVED",
    "PACKETS_SELECTED": "PKTS_SELECTED",
    **{f"OBSERVED_{unit}SECONDS": f"OBSERVATION_{unit}SECONDS" for unit in ("", "MILLI", "MICRO", "NANO")},
}


@pytest.mark.parametrize("constant", NUMBERS)
def test_each_word_of_a_constant_is_in_the_registered_name(constant: str) -> None:
    registered = element_name(NUMBERS[constant]).lower()
    words = SPELT.get(constant, constant).lower().split("_")
    assert [word for word in words if word.removesuffix("s") not in registered] == []
