"""What the truth asks for where windows are shorter than a minute: full spells of seconds, short sustained times.

A window is as long as the records resolve, 5 s at the least. A spell is sustained from three minutes on, or from one
minute on where it is at least half of the time asked about and the records resolve 20 s or better; shorter ones of at
least two windows are told as short. A draw in which chance put a spell close to one of these bounds is drawn again, so
that a label is never a matter of taste.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from flowdiag.scenario.network import OCTETS_PER_MBPS_MS
from flowdiag.scenario.truth import Truth, shares
from tests.scenarios.expecting import MARGIN, NAMES, SHARE_LISTED, single_host
from tests.scenarios.labels import Another, Times, Wanted

if TYPE_CHECKING:
    from tests.scenarios.stage import Stage

FINEST_S = 5
FINE_S = 20  # what resolves so well can show a sustained time of one minute
SUSTAINED_S, SHORT_SUSTAINED_S = 180, 60
LEAST_PART = 0.5  # of the time asked about
# A dip of a step or two inside a full time is a transfer that ended within its second.
BRIDGED_S = 2
# Two spells so close could be bridged to one.
APART_S = 75
CLOCK_S = 2  # whole seconds in the records, on both sides
EDGE_S = 5  # a window may begin within a second in which the line filled up, and clocks have whole seconds


def edge_ms(active_s: int) -> int:
    """How far the edge of a spell may be off: a record, and whole seconds."""
    return (max(active_s, FINEST_S) + EDGE_S) * 1000


def step_shares(truth: Truth, link: int, direction: int) -> NDArray[np.float64]:
    """Share of the plan that the link carried in each step of the network, shape [steps]."""
    network, site = truth.carried.network, truth.carried.site
    plan = site.links[link].capacity_mbps(direction) * OCTETS_PER_MBPS_MS * network.step_ms
    share: NDArray[np.float64] = truth.carried.wire[link, direction] / plan
    return share


def spells(share: NDArray[np.float64], threshold: float, bridged: int = BRIDGED_S) -> list[tuple[int, int]]:
    """Runs [a, b) of steps at or over a threshold, dips of so many steps bridged."""
    found: list[list[int]] = []
    for step in np.flatnonzero(share >= threshold).tolist():
        if found and step - found[-1][1] <= bridged:
            found[-1][1] = step + 1
        else:
            found.append([step, step + 1])
    return [(a, b) for a, b in found]


def add_fine_expectations(stage: Stage, truth: Truth) -> None:
    site, network = truth.carried.site, truth.carried.network
    assert network.step_ms == 1000, "spells of seconds need steps of one"
    full, busy = site.thresholds.get("full", 0.90), site.thresholds.get("busy", 0.70)
    window_s = max(stage.meter.active_s, FINEST_S)
    kinds: set[str] = set()
    for link in range(len(site.links)):
        for direction in (0, 1):
            share = step_shares(truth, link, direction)
            likely = [span for span in spells(share, full * (1 - MARGIN)) if _length(span) >= window_s]
            _stand_apart(stage, likely)
            for span in likely:
                certain = spells(share[slice(*span)], full * (1 + MARGIN))
                inner = max(certain, key=_length, default=(0, 0))
                if _length(inner) < _length(span) - 2 * BRIDGED_S:
                    raise Another(f"{stage.name}: a spell near the threshold")
                kinds.add(_full_spell(stage, truth, link, direction, span, window_s))
            level = _rolling(share, window_s)
            lasting = [span for span in spells(level, busy * (1 - MARGIN), 60) if _length(span) >= 40]
            if lasting:
                stage.allow("link-busy")
            if "link-busy" in stage.verdicts:
                kinds |= _busy(stage, truth, link, direction, level >= busy * (1 + MARGIN))
    wanted = "link-full" if "full" in kinds else "link-busy" if "busy" in kinds else "not-the-link"
    if wanted not in stage.verdicts and not {"outage", "on-backup"} & set(stage.verdicts):
        raise Another(f"{stage.name}: the truth is {wanted}")
    if not {"full", "short", "beside"} & kinds:
        stage.forbid("link-full")
    if "short" in kinds and wanted == "not-the-link":
        stage.never_high = True
    single_host(stage, truth, _asked(stage, truth))


def _full_spell(
    stage: Stage, truth: Truth, link: int, direction: int, span: tuple[int, int], window_s: int
) -> str:
    """Adds what is to be found of one full spell, and says which kind it is."""
    network = truth.carried.network
    begin, end = network.start_ms + span[0] * 1000, network.start_ms + span[1] * 1000
    asked = _asked(stage, truth)
    inside = min(end, asked[1]) - max(begin, asked[0])
    kind = kind_of(_length(span), inside / (asked[1] - asked[0]), window_s)
    if kind == "unclear":
        raise Another(f"{stage.name}: a spell of {_length(span)} s is neither short nor sustained for sure")
    if kind == "passing":
        return kind
    touches = inside > 0
    if abs(inside) < 2 * window_s * 1000:
        raise Another(f"{stage.name}: a spell ends where the window begins")
    ranked = shares(truth.host_octets(begin, end, link, (direction,)))
    hosts = {truth.address_text(n): share for n, share in ranked.items() if share >= SHARE_LISTED}
    sustained = kind == "full"
    stage.wanted.append(
        Wanted(
            "link-full",
            None if sustained and touches else "info",
            truth.carried.site.links[link].name,
            NAMES[direction],
            Times((begin, begin), (end, end)),
            hosts if sustained and touches else {},
            {} if sustained else {"short": True},
        )
    )
    return kind if touches else "beside"


def kind_of(length_s: int, part: float, window_s: int) -> str:
    """part: of the time asked about that the spell takes."""
    slack = window_s + CLOCK_S
    if length_s >= SUSTAINED_S + slack:
        return "full"
    fine = window_s <= FINE_S
    if fine and length_s >= SHORT_SUSTAINED_S + slack and part >= LEAST_PART * 1.2:
        return "full"
    short = length_s < SUSTAINED_S - slack and (
        not fine or length_s < SHORT_SUSTAINED_S - CLOCK_S or part < LEAST_PART / 1.2
    )
    if short and length_s >= 3 * window_s + CLOCK_S:
        return "short"
    return "passing" if length_s < 2 * window_s - CLOCK_S else "unclear"


def _busy(stage: Stage, truth: Truth, link: int, direction: int, over: NDArray[np.bool_]) -> set[str]:
    network, asked = truth.carried.network, _asked(stage, truth)
    for a, b in spells(over.astype(float), 0.5, 60):
        begin, end = network.start_ms + a * 1000, network.start_ms + b * 1000
        part = (min(end, asked[1]) - max(begin, asked[0])) / (asked[1] - asked[0])
        if b - a >= SHORT_SUSTAINED_S * 1.2 and part >= LEAST_PART * 1.2:
            name = truth.carried.site.links[link].name
            stage.wanted.append(Wanted("link-busy", None, name, NAMES[direction]))
            return {"busy"}
    return set()


def _stand_apart(stage: Stage, spans: list[tuple[int, int]]) -> None:
    for (_, end), (begin, _) in zip(spans, spans[1:], strict=False):
        if begin - end < APART_S:
            raise Another(f"{stage.name}: two spells {begin - end} s apart")


def _asked(stage: Stage, truth: Truth) -> tuple[int, int]:
    return stage.window or (truth.carried.network.start_ms, truth.carried.network.end_ms)


def _length(span: tuple[int, int]) -> int:
    return span[1] - span[0]


def _rolling(share: NDArray[Any], steps: int) -> NDArray[np.float64]:
    """Mean of so many steps around each, shape [steps]; at the ends of those there are."""
    kernel = np.ones(min(steps, len(share)))
    whole = np.convolve(share, kernel, "same") / np.convolve(np.ones(len(share)), kernel, "same")
    return np.asarray(whole, np.float64)
