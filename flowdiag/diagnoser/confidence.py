"""How sure a finding can be: doubts with weights, and the level that follows from them.

Weights: NOTED is said and changes nothing, MINOR takes the confidence from high to medium, MAJOR to low;
two MINOR doubts leave it at medium, three bring it to low. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np
from msgspec import Struct

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Confidence
from flowdiag.text.sentences import load as wording

NOTED: Final = 0
MINOR: Final = 1
MAJOR: Final = 3

# A mean within this part of the threshold could be on either side of it.
THIN_MARGIN: Final = 0.02
# A rate this far above the plan says that the plan rate in the profile is wrong.
OVER_PLAN: Final = 1.15
# Above this, a plan rate on record that is right leaves no room for framing and rounding: more was offered than the
# link carried, or the rate on record is too low (common practice, no source).
OFFERED: Final = 1.05
HEARD_LEAST: Final = 0.9
LOSS_NOTED: Final = 0.001
LOSS_MINOR: Final = 0.01
LOSS_MAJOR: Final = 0.10
Z_95: Final = 1.96  # standard normal, two-sided 95 %


class Doubt(Struct, frozen=True):
    """text: a sentence for an engineer; client: a clause for the client, empty where it would not help them."""

    text: str
    weight: int
    client: str = ""


def grade(doubts: Iterable[Doubt | None]) -> tuple[Confidence, tuple[Doubt, ...]]:
    """The level, and the doubts that make it (the weightiest first)."""
    real = sorted((doubt for doubt in doubts if doubt is not None), key=lambda doubt: -doubt.weight)
    weight = sum(doubt.weight for doubt in real)
    level: Confidence = "high" if weight == 0 else "medium" if weight < MAJOR else "low"
    return level, tuple(real)


def graded(doubts: Iterable[Doubt | None]) -> tuple[Confidence, tuple[str, ...]]:
    """The level, and what is said about it (the weightiest first)."""
    level, real = grade(doubts)
    return level, tuple(doubt.text for doubt in real)


def lowest(levels: Iterable[Confidence]) -> Confidence:
    order: tuple[Confidence, ...] = ("low", "medium", "high")
    return min(levels, key=order.index)


def of_margin(share: float, threshold: float) -> Doubt | None:
    """share: mean rate over the plan's."""
    return Doubt(wording.THIN_MARGIN, MINOR) if share < threshold * (1.0 + THIN_MARGIN) else None


def may_be_offered(case: Case, link: int, direction: int, share: float) -> bool:
    """Whether a mean rate, as a share of the plan's, may hold packets that the link's queue dropped afterwards."""
    arrived = case.coverage.arrived
    behind_the_queue = direction == DOWN and link < len(arrived) and arrived[link]
    return share > OFFERED and not behind_the_queue and not case.profile.link[link].variable


def of_plan(case: Case, link: int, direction: int, share: float) -> Doubt | None:
    if case.profile.link[link].variable:
        over = share > OVER_PLAN
        return Doubt(wording.over_typical(share), MAJOR) if over else Doubt(wording.TYPICAL_RATE, MINOR)
    if share <= OFFERED:
        return None
    offered = may_be_offered(case, link, direction, share)
    said = wording.offered(share) if offered else wording.over_plan(share)
    return Doubt(said, MAJOR if share > OVER_PLAN else MINOR)


def of_resolution(case: Case, length_ms: int) -> Doubt | None:
    resolution = case.coverage.resolution_s
    if resolution * 1000 > length_ms:
        return Doubt(wording.coarser_than_episode(resolution), MINOR)
    return None


def of_sampling(case: Case, packets: float, share: float, threshold: float) -> Doubt | None:
    """packets: scaled packets that the figure rests on."""
    if case.coverage.sampling <= 1:
        return None
    error = Z_95 / np.sqrt(max(packets / case.coverage.sampling, 1.0))
    margin = abs(share - threshold) / max(share, 1e-9)
    weight = NOTED if error < margin / 2 or error < 0.01 else MINOR if error < margin else MAJOR
    return Doubt(wording.sampling_error(float(error)), weight)


def of_silence(case: Case, windows: slice) -> Doubt | None:
    """A part of the minutes in which the exporter was not heard. windows: of the usage by the minute."""
    heard = case.coverage.heard[windows]
    if len(heard) and float(heard.mean()) < HEARD_LEAST:
        return Doubt(wording.SILENT_PART, MINOR)
    return None


def of_end(case: Case, end_ms: int) -> Doubt | None:
    """Records still open when the export ends are missing from its last minutes."""
    last = case.coverage.last_ms
    if last is not None and end_ms > last - max(case.coverage.resolution_s * 1000, case.usage.window_ms):
        return Doubt(wording.REACHES_THE_END, NOTED)
    return None


def loss_share(case: Case) -> float:
    """Lost records as a part of all that were sent, over the whole export."""
    lost = case.coverage.lost_records
    return lost / max(lost + case.coverage.records, 1)


def of_loss(case: Case, lowers: bool) -> Doubt | None:
    """What the records lost over the whole export bear on; lowers: as for of_loss_share."""
    return of_loss_share(loss_share(case), lowers)


def of_loss_share(share: float, lowers: bool) -> Doubt | None:
    """share: lost records as a part of all that were sent. lowers: whether missing octets could turn the statement over;
    a full link with loss is still full, and only who filled it may be another.
    """
    if share < LOSS_NOTED:
        return None
    if lowers:
        weight = NOTED if share < LOSS_MINOR else MINOR if share < LOSS_MAJOR else MAJOR
    else:
        weight = NOTED if share < LOSS_MAJOR else MINOR
    return Doubt(wording.records_lost(share), weight, wording.some_lost(share))
