"""What a verdict's sentence claims, held against the truth: the highest use, and that the line was not the cause."""

from __future__ import annotations

import re
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tests.scenarios.fine import FINEST_S, step_shares
from tests.scenarios.labels import Labelled

NOT_THE_CAUSE: Final = "was not the cause"
# "never used above 45 %", whatever stands between the words.
HIGHEST_USE: Final = re.compile(r"\babove (\d+(?:\.\d+)?)\s?%")
EXCEPTED: Final = re.compile(r"\b(?:apart from|except)\b")
MINUTE_WINDOWS_FROM_MS: Final = 30 * 60_000
# By how much of the plan a highest use may be under the truth: records spread their octets evenly over their own
# time; what is lost or not sampled is estimated.
TOLERANCE, ESTIMATED_TOLERANCE = 0.03, 0.10


def untrue_claims(labelled: Labelled, diagnosis: Any) -> list[str]:
    """Each in words. diagnosis: flowdiag.diagnoser.diagnosis.Diagnosis."""
    verdict = diagnosis.verdict
    found = []
    if verdict.code == "not-the-link" and verdict.confidence != "high" and NOT_THE_CAUSE in verdict.sentence:
        found.append(f"{NOT_THE_CAUSE!r} is said with {verdict.confidence} confidence")
    claim = HIGHEST_USE.search(verdict.sentence) if verdict.code == "not-the-link" else None
    if claim is not None:
        excepted = [
            (finding.start_ms, finding.end_ms)
            for finding in diagnosis.findings
            if finding.code == "link-full"
            and finding.start_ms is not None
            and EXCEPTED.search(verdict.sentence)
        ]
        peak = true_peak(labelled, excepted)
        estimated = labelled.exporting.loss > 0 or labelled.situation.meter.sampling > 1
        if float(claim[1]) / 100 < peak - (ESTIMATED_TOLERANCE if estimated else TOLERANCE):
            found.append(f"the highest use is said to be {claim[1]} %, and was {peak:.1%}")
    return found


def true_peak(labelled: Labelled, excepted: list[tuple[float, float]]) -> float:
    """The highest window's share of the plan on any primary link in the time asked about, by the placing of the
    windows that makes it least; times that never reached the collector, or are excepted, left out.
    """
    truth = labelled.situation.truth()
    network, meter = truth.carried.network, labelled.situation.meter
    begin, end = labelled.window or (network.start_ms, network.end_ms)
    begin, end = max(begin, network.start_ms), min(end, network.end_ms)
    if not meter.flush:
        end = min(end, network.end_ms - meter.active_s * 1000)
    least_s = 60 if end - begin >= MINUTE_WINDOWS_FROM_MS else FINEST_S
    steps = max(round(max(least_s, meter.active_s) * 1000 / network.step_ms), 1)
    first, stop = (round((moment - network.start_ms) / network.step_ms) for moment in (begin, end))
    seen = np.ones(network.steps, bool)
    margin = max(least_s, meter.active_s) * 1000
    gone = [*labelled.exporting.silent, *([labelled.restart] if labelled.restart else []), *excepted]
    for gone_from, gone_to in gone:
        a, b = (
            (moment - network.start_ms) // network.step_ms
            for moment in (gone_from - margin, gone_to + margin)
        )
        seen[max(int(a), 0) : max(int(b) + 1, 0)] = False
    peaks = [0.0]
    for number, link in enumerate(truth.carried.site.links):
        if link.role == "primary":
            for direction in (0, 1):
                share = np.where(seen, step_shares(truth, number, direction), 0.0)[first:stop]
                peaks.append(least_peak(share, steps))
    return max(peaks)


def least_peak(share: NDArray[np.float64], steps: int) -> float:
    """The highest mean of windows of so many steps, for the placing that makes it least."""
    if len(share) < 2 * steps:
        return float(share.mean()) if len(share) else 0.0
    peaks = []
    for offset in range(steps):
        whole = (len(share) - offset) // steps * steps
        peaks.append(float(share[offset : offset + whole].reshape(-1, steps).mean(axis=1).max()))
    return min(peaks)
