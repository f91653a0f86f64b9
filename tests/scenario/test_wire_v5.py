"""NetFlow v5's counters have 32 bits: what does not fit is exported early, in parts."""

from __future__ import annotations

import numpy as np

from flowdiag.scenario.metering import RECORD
from flowdiag.scenario.wire_v5 import within_counters


def test_a_flow_beyond_the_counter_is_cut_in_time_and_keeps_its_octets() -> None:
    records = np.zeros(2, RECORD)
    records["start"], records["end"] = (1000, 0), (61_000, 500)
    records["octets"], records["packets"] = (10_000_000_000, 70), (6_666_667, 1)
    cut = within_counters(records)
    # 10^10 octets over 2^32 - 1 are 2.3 counters full: three parts of twenty seconds.
    assert cut["start"].tolist() == [1000, 21_000, 41_000, 0]
    assert cut["end"].tolist() == [21_000, 41_000, 61_000, 500]
    assert cut["octets"].sum() == 10_000_000_070
    assert cut["packets"].sum() == 6_666_668
    assert cut["octets"].max() < 2**32


def test_what_fits_is_left_alone() -> None:
    records = np.zeros(3, RECORD)
    records["octets"] = 2**32 - 1
    assert within_counters(records) is records
