"""What the evidence of a situation allows, read off its traffic and its router, never off the program's answer.

Complete evidence is what a verdict may be sure on: nearly all of the time asked about is in the export, next to nothing
was lost, the records resolve a minute or better and count every packet, and the plan's rate is a promise. An all-clear
asks for more: no short full spell, no level that transfers hold, no outage of seconds, and nothing unusual in how many
places are tried. In doubt a situation is not complete: then high confidence is not asked for, but neither is it wrong.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from flowdiag.scenario.ledger import TRAIN
from flowdiag.scenario.trouble import SYN
from flowdiag.scenario.truth import Truth
from tests.scenarios.expecting import MARGIN
from tests.scenarios.fine import FINEST_S, spells, step_shares

if TYPE_CHECKING:
    from tests.scenarios.stage import Stage

# Verdicts whose cause lies on a link. Unanswered connections and faults of keepalives do not.
ON_A_LINK: Final = frozenset(
    {
        "outage",
        "flapping",
        "on-backup",
        "inbound-flood",
        "link-full",
        "below-plan",
        "backup-leak",
        "link-busy",
    }
)
WELL_COVERED: Final = 0.95
LITTLE_LOST: Final = 0.01
RESOLVED_S: Final = 60
# A conversation that holds such a part of the plan for so long could be bound by the line.
HELD_PART, HELD_S = 0.03, 120
OUT_S: Final = 20
# Attempts without an answer, or places talked to, in the time asked about, from which on a site is unusual.
MANY_ATTEMPTS, MANY_PLACES = 10, 300
DISTURBED: Final = frozenset({"late-templates", "restart"})


def cause_on_link(verdicts: tuple[str, ...]) -> bool:
    """Whether every allowed verdict names a cause on a link."""
    return set(verdicts) <= ON_A_LINK


def complete(stage: Stage, truth: Truth) -> bool:
    if len(stage.verdicts) > 1 or stage.never_high or stage.verdicts == ("cannot-tell",):
        return False
    sure = _well_exported(stage, truth)
    return sure and (stage.verdicts != ("not-the-link",) or _nothing_odd(stage, truth))


def asked(stage: Stage, truth: Truth) -> tuple[float, float]:
    network = truth.carried.network
    return stage.window or (network.start_ms, network.end_ms)


def _well_exported(stage: Stage, truth: Truth) -> bool:
    network, exporting, meter = truth.carried.network, stage.exporting, stage.meter
    begin, end = asked(stage, truth)
    heard = max(min(end, network.end_ms) - max(begin, network.start_ms), 0)
    for silent_from, silent_to in exporting.silent:
        heard -= max(min(end, silent_to) - max(begin, silent_from), 0)
    return bool(
        heard >= WELL_COVERED * (end - begin)
        and exporting.loss < LITTLE_LOST
        and exporting.interfaces
        and not DISTURBED & set(stage.ways)
        and stage.restart is None
        and meter.flush
        and meter.sampling == 1
        and meter.active_s <= RESOLVED_S
        and not stage.the_site.links[0].variable
    )


def _nothing_odd(stage: Stage, truth: Truth) -> bool:
    return not (
        _short_spell(stage, truth)
        or _held_level(stage, truth)
        or _cut_off(stage, truth)
        or _busy_places(stage, truth)
    )


def _steps(stage: Stage, truth: Truth) -> slice:
    network = truth.carried.network
    begin, end = asked(stage, truth)
    first = int((begin - network.start_ms) // network.step_ms)
    last = int(-((network.start_ms - end) // network.step_ms))
    return slice(max(first, 0), max(min(last, network.steps), 0))


def _short_spell(stage: Stage, truth: Truth) -> bool:
    """At its limit for as long as one record: one window or two, by where it began."""
    network, site = truth.carried.network, truth.carried.site
    threshold = site.thresholds.get("full", 0.90) * (1 - MARGIN)
    least = max(stage.meter.active_s, FINEST_S) * 1000
    for link in range(len(site.links)):
        for direction in (0, 1):
            share = step_shares(truth, link, direction)[_steps(stage, truth)]
            if any((b - a) * network.step_ms >= least for a, b in spells(share, threshold)):
                return True
    return False


def _held_level(stage: Stage, truth: Truth) -> bool:
    """One conversation that moved at a fair part of a primary's plan for minutes."""
    carried, (begin, end) = truth.carried, asked(stage, truth)
    talk, pieces, chunks = carried.conversations, carried.pieces, carried.chunks
    count = len(talk)
    for direction, name in enumerate(("down", "up")):
        # Counted onto zeros: of no chunks at all numpy makes whole numbers.
        octets = np.zeros(count) + np.bincount(chunks["conversation"], chunks[f"{name}_octets"], count)
        whole = np.full(len(pieces), begin), np.full(len(pieces), end)
        octets += np.bincount(pieces["conversation"], carried.steady_octets(pieces, direction, *whole), count)
        first, last = np.full(count, np.inf), np.full(count, -np.inf)
        for rows in (pieces, chunks):
            np.minimum.at(first, rows["conversation"], rows["start"])
            np.maximum.at(last, rows["conversation"], rows["end"])
        first, last = np.maximum(first, begin), np.minimum(last, end)
        lasting = (last - first >= HELD_S * 1000) & (talk["kind"] != TRAIN)
        plan = carried.site.links[0].capacity_mbps(direction) * 125.0
        if (octets[lasting] / (last - first)[lasting] >= HELD_PART * plan).any():
            return True
    return False


def _cut_off(stage: Stage, truth: Truth) -> bool:
    network = truth.carried.network
    route = network.route[_steps(stage, truth)]
    return any(
        (b - a) * network.step_ms >= OUT_S * 1000 for a, b in spells((route < 0).astype(float), 0.5, 0)
    )


def _busy_places(stage: Stage, truth: Truth) -> bool:
    begin, end = asked(stage, truth)
    talk = truth.carried.conversations
    talk = talk[(talk["start"] < end) & (talk["end"] > begin)]
    attempts = (talk["up_flags"] == SYN) & (talk["down_octets"] == 0)
    return int(attempts.sum()) >= MANY_ATTEMPTS or len(np.unique(talk["outside"])) >= MANY_PLACES
