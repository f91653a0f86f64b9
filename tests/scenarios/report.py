"""The report: a confusion table per code, and how good verdicts, times and shares were."""

from __future__ import annotations

import numpy as np

from tests.scenarios.judge import SHARE_TOLERANCE, Score
from tests.scenarios.labels import SEVERITIES


def summary(scores: list[Score]) -> str:
    lines = [f"{'code':24} {'found':>6} {'missed':>7} {'false':>6} {'kept away':>10}"]
    for code in sorted(SEVERITIES):
        hits = sum(score.hits.count(code) for score in scores)
        misses = sum(score.misses.count(code) for score in scores)
        alarms = sum(score.alarms.count(code) for score in scores)
        refused = sum(score.refused.count(code) for score in scores)
        lines.append(f"{code:24} {hits:6d} {misses:7d} {alarms:6d} {refused:10d}")
    lines += ["", *_verdicts(scores), ""]
    right = sum(score.verdict_right for score in scores)
    lines.append(f"verdicts right        {right} of {len(scores)} ({right / max(len(scores), 1):.1%})")
    hits, misses = (sum(len(getattr(score, kind)) for score in scores) for kind in ("hits", "misses"))
    lines.append(f"labelled findings     {hits} of {hits + misses} found")
    healthy = [score for score in scores if score.healthy]
    alarmed = sum(bool(score.alarms) for score in healthy)
    lines.append(f"healthy situations    {len(healthy)}, with a false warning or worse {alarmed}")
    times = np.array([(error, tolerance) for score in scores for _, error, tolerance in score.time_errors])
    if len(times):
        late = int((times[:, 0] > times[:, 1]).sum())
        lines.append(
            f"times                 {len(times)}, median error {np.median(times[:, 0]):.0f} s, "
            f"95 % within {np.quantile(times[:, 0], 0.95):.0f} s, beyond tolerance {late}"
        )
    errors = np.array([error for score in scores for _, error in score.share_errors])
    if len(errors):
        lines.append(
            f"host shares           {len(errors)}, median error {np.median(errors) * 100:.2f} points, "
            f"beyond {SHARE_TOLERANCE * 100:.0f} points {int((errors > SHARE_TOLERANCE).sum())}"
        )
    clean = sum(not score.faults for score in scores)
    lines.append(f"without any fault     {clean} of {len(scores)}")
    return "\n".join(lines)


def _verdicts(scores: list[Score]) -> list[str]:
    pairs: dict[tuple[str, str], int] = {}
    for score in scores:
        wanted = score.verdict if score.verdict_right else score.verdict_wanted[0]
        pairs[wanted, score.verdict] = pairs.get((wanted, score.verdict), 0) + 1
    lines = [f"{'verdict wanted':24} {'given':24} {'times':>5}"]
    for (wanted, given), count in sorted(pairs.items()):
        mark = "" if wanted == given else "  <- wrong"
        lines.append(f"{wanted:24} {given:24} {count:5d}{mark}")
    return lines


def faults(scores: list[Score]) -> str:
    lines = []
    for score in scores:
        if score.faults:
            lines.append(score.name)
            lines += [f"    {fault}" for fault in score.faults]
    return "\n".join(lines)
