"""What is alleged to leak onto a backup: findings/backup_leak.py says what is decided and why."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.failovers import failovers
from flowdiag.diagnoser.signals.link_states import heard_ms

LEAST_OCTETS: Final = 1_000_000
LEAST_BITS_S: Final = 1_000


def leaking(case: Case, link: int) -> NDArray[np.intp]:
    """Rows of the flows that are alleged to leak onto a backup; none where they are too few octets for that."""
    rows = np.flatnonzero(failovers(case).leaked & (case.flows.link == link))
    octets, span = float(case.flows.octets[rows].sum()), heard_ms(case)
    enough = span and octets >= LEAST_OCTETS and octets * 8e3 / span >= LEAST_BITS_S
    return rows if enough else rows[:0]
