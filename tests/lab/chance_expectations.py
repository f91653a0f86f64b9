"""What must be true of the note of a run by chance, as far as it follows from what was measured."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from tests.lab.judging import ALARMING, FELT_S, cut_off, felt
from tests.lab.notes import LINKS, Told
from tests.lab.truth import UPLINKS, WAYS, Truth, Uplink, Way, lasting_s

# Full for so long, the short dips of TCP bridged, is what nobody may overlook; half of it may be told as a short spell.
LONG_S: Final = 70.0
DIP_MS: Final = 3_000
# Nobody reaches anybody for so long: the shortest outage that is told.
OUTAGE_S: Final = 30.0


def longest_full_s(truth: Truth, uplink: Uplink, way: Way) -> float:
    """Seconds of the longest time in which an uplink carried all it could, dips bridged."""
    longest = 0.0
    spans: list[tuple[int, int]] = []
    for start, end in truth.full(uplink, way):
        if spans and start - spans[-1][1] <= DIP_MS:
            spans[-1] = spans[-1][0], end
        else:
            spans.append((start, end))
        longest = max(longest, (spans[-1][1] - spans[-1][0]) / 1000)
    return longest


def happened(truth: Truth) -> str:
    parts = [f"{LINKS[uplink]} {way} full {truth.full_s(uplink, way):.0f} s" for uplink, way in felt(truth)]
    parts += [f"cut off {(b - a) / 1000:.0f} s" for a, b in cut_off(truth)]
    given = truth.run.shaped.down / truth.run.plan.down
    parts += [f"gives {given:.0%}"] * (not 0.99 < given < 1.01) + ["wanders"] * bool(truth.run.rates)
    parts += [step for _, step in truth.run.steps if step in ("leak", "by backup")]
    return ", ".join(parts) or "nothing"


def check(told: Told, truth: Truth) -> Iterator[str]:
    """What follows from the truth whatever the run was."""
    troubles = felt(truth)
    steps = {step for _, step in truth.run.steps}
    codes = {finding["code"] for finding in told.note["findings"]}
    if (
        any(b - a >= OUTAGE_S * 1000 for a, b in cut_off(truth))
        and "cut backup" in steps
        and "outage" not in codes
    ):
        yield f"cut off for {lasting_s(cut_off(truth)):.0f} s, and no outage: {told.sentence}"
    as_sold = truth.run.plan.down <= truth.run.shaped.down * 1.02 and not truth.run.rates
    for uplink in UPLINKS:
        for way in WAYS:
            long = longest_full_s(truth, uplink, way)
            if as_sold and uplink == "wan1" and long >= LONG_S and not steps and "link-full" not in codes:
                yield f"{LINKS[uplink]} {way} was full for {long:.0f} s: {told.verdict} ({told.confidence}) {told.sentence}"
    if told.verdict == "not-the-link" and told.confidence == "high" and troubles:
        yield f"high confidence that it was not the link, and {troubles}"
    for finding in told.note["findings"]:
        if finding["severity"] not in ALARMING or finding["code"] not in (
            "link-full",
            "below-plan",
            "outage",
        ):
            continue
        uplink = next(place for place, name in LINKS.items() if finding["link"] in (name, None))
        if finding["code"] == "outage":
            if not cut_off(truth) and "cut main" not in steps:
                yield f"a false outage: {finding['summary']}"
        elif truth.full_s(uplink, finding["direction"]) < FELT_S:
            yield f"a false {finding['code']}: {finding['summary']}"
