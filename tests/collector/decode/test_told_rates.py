"""The factor that a record of options tells, asked of the reader itself; and marks of flows."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from flowdiag.collector.decode import ie
from flowdiag.collector.decode.flows import _marks
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.naming import Names
from flowdiag.collector.decode.options import AMBIGUOUS_SAMPLING, Options
from flowdiag.collector.report import ExportReport
from tests.collector.decode.fake_columns import FakeColumns


class Values(dict[int, float]):
    """What a record tells, by element."""

    def integer(self, number: int) -> int:
        return int(self.get(number, 0))

    def real(self, number: int) -> float:
        return self.get(number, 0.0)


def factor(**told: float) -> tuple[float | None, str]:
    report = ExportReport()
    options = Options(report, Limits(), Names(report, Limits()))
    domain: Any = SimpleNamespace(report=SimpleNamespace(sampling_note=""))
    values: Any = Values({getattr(ie, name): value for name, value in told.items()})
    return options._factor(domain, values), domain.report.sampling_note


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        # RFC 5477: one of (interval + space) / interval packets or milliseconds, n of a population, a probability.
        ({"SAMPLING_PACKET_INTERVAL": 1, "SAMPLING_PACKET_SPACE": 9}, 10.0),
        ({"SAMPLING_PACKET_INTERVAL": 2, "SAMPLING_PACKET_SPACE": 9}, 5.5),
        ({"SAMPLING_TIME_INTERVAL": 5, "SAMPLING_TIME_SPACE": 15}, 4.0),
        ({"SAMPLING_PACKET_INTERVAL": 1, "SAMPLING_PACKET_SPACE": 0}, 1.0),
        ({"SAMPLING_PACKET_INTERVAL": 0, "SAMPLING_PACKET_SPACE": 9}, None),
        ({"SAMPLING_SIZE": 2, "SAMPLING_POPULATION": 50}, 25.0),
        ({"SAMPLING_SIZE": 2}, None),
        ({"SAMPLING_POPULATION": 50}, None),
        ({"SAMPLING_PROBABILITY": 0.25}, 4.0),
        ({"SAMPLING_PROBABILITY": 1.0}, 1.0),
        ({"SAMPLING_PROBABILITY": 1.25}, None),
        ({"SAMPLING_PROBABILITY": -0.25}, None),
        ({"SAMPLING_INTERVAL": 64}, 64.0),
        ({"SAMPLER_RANDOM_INTERVAL": 128, "SAMPLING_INTERVAL": 64}, 128.0),
        ({}, None),
    ],
)
def test_the_factor_of_each_way_of_telling_it(told: dict[str, float], expected: float | None) -> None:
    assert factor(**told) == (expected, "")


@pytest.mark.parametrize(("interval", "note"), [(1, ""), (2, AMBIGUOUS_SAMPLING), (100, AMBIGUOUS_SAMPLING)])
def test_packets_in_a_row_alone_tell_none_and_are_noted(interval: int, note: str) -> None:
    assert factor(SAMPLING_PACKET_INTERVAL=interval) == (None, note)


def marks(**columns: Any) -> tuple[list[int] | None, list[int] | None]:
    given: Any = FakeColumns(0, **columns)
    found = _marks(given)
    flags, dscp = (
        None if found[name] is None else found[name].values.tolist() for name in ("tcp_flags", "dscp")
    )  # type: ignore[union-attr]
    return flags, dscp


def test_control_bits_are_the_twelve_lower_ones_and_code_points_the_six_upper_ones_of_their_octet() -> None:
    """RFC 7125 3: the upper four bits of 16 are the header length. RFC 2474 3: the code point is bits 0 to 5."""
    assert marks(TCP_CONTROL_BITS=np.array([0xFFFF, 0x5001, 0x0800], np.uint16)) == (
        [0x0FFF, 1, 0x0800],
        None,
    )
    assert marks(TCP_CONTROL_BITS=np.array([0xFF, 0x11], np.uint8)) == ([0xFF, 0x11], None)
    assert marks(CLASS_OF_SERVICE=np.array([0xB8, 0xFF, 3], np.uint8)) == (None, [46, 63, 0])
    assert marks(DSCP=np.array([46, 0xFF], np.uint8), CLASS_OF_SERVICE=np.array([0, 0], np.uint8)) == (
        None,
        [46, 63],
    )
    assert marks() == (None, None)
