"""How long records were, as roll-ups sampled them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from flowdiag.aggregator.coverage_notes import Durations
from flowdiag.rollup.shape import Facts


def durations_of(facts: Sequence[Facts]) -> Durations:
    """The samples of all of them."""
    return Durations(
        np.array([ms for one in facts for ms in one.durations_ms], np.int64),
        np.array([packets for one in facts for packets in one.duration_packets], np.float64),
        np.array([ms for one in facts for ms in one.cut_ms], np.int64),
    )
