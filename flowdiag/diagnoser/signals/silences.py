"""When the exporter was silent for longer than its own rhythm explains; shared by export-gap and cannot-tell.

A busy router sends something every minute; a quiet one, or one whose protocol has no templates to repeat,
may say nothing for half an hour at night. So a silence is held against the exporter's habit on both sides
of it: with signs of life in a part p of the minutes on the quieter side, n silent minutes happen by chance
with (1-p)^n. Under one in ten thousand, and from three minutes on, it is a gap.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.timeline import runs

LEAST_WINDOWS: Final = 3
CHANCE: Final = 1e-4
# The habit is read from two hours on either side.
AROUND_WINDOWS: Final = 120
# So long before and after the export a quiet exporter may just not have had anything to say.
BEYOND_MS: Final = 60_000


class Silence(Struct, frozen=True):
    start_ms: int
    end_ms: int

    def within(self, begin: int, end: int) -> int:
        """How many ms of it lie in [begin, end)."""
        return max(min(self.end_ms, end) - max(self.start_ms, begin), 0)


@once_per_case
def silences(case: Case) -> tuple[Silence, ...]:
    """Every silence in time order; before and after the export as far as the window reaches."""
    usage = case.usage
    return silences_in(
        case.coverage.heard, usage.start_ms, usage.window_ms, case.window_ms, window_given=case.window_given
    )


def silences_in(
    heard: NDArray[np.bool_], start_ms: int, step_ms: int, window_ms: tuple[int, int], *, window_given: bool
) -> tuple[Silence, ...]:
    """The same by signs of life. heard: of each window of step_ms from start_ms on; window_ms: [from, to) that is asked
    about."""
    begin, end = window_ms
    alive = np.flatnonzero(heard)
    if len(alive) == 0:
        return (Silence(begin, end),) if end > begin else ()

    def time(window: int) -> int:
        return start_ms + window * step_ms

    found = [
        Silence(time(first), time(stop))
        for first, stop in runs(~heard)
        if first > alive[0] and stop <= alive[-1] and _is_gap(heard[:first], heard[stop:], stop - first)
    ]
    born, died = time(int(alive[0])), time(int(alive[-1]) + 1)
    if window_given and begin < born and _is_gap(None, heard[alive[0] :], (born - begin) // step_ms):
        found.insert(0, Silence(begin, born))
    if window_given and end > died and _is_gap(heard[: alive[-1] + 1], None, (end - died) // step_ms):
        found.append(Silence(died, end))
    return tuple(found)


def noticed_ms(heard: NDArray[np.bool_], step_ms: int) -> int:
    """How long an exporter has to say nothing after its last sign of life for that to be a gap, at the earliest. heard: of each
    window of step_ms up to that sign."""
    alive = np.flatnonzero(heard)
    if len(alive) == 0:
        return LEAST_WINDOWS * step_ms
    length = LEAST_WINDOWS
    while not _is_gap(heard[: alive[-1] + 1], None, length):
        length += 1 + length // 16
    return length * step_ms


def covered(case: Case) -> float:
    """The part of the complaint's window that the export covers, 0 to 1."""
    begin, end = case.window_ms
    if end <= begin:
        return 0.0
    found = silences(case)
    missing = sum(silence.within(begin, end) for silence in found)
    missing += sum(Silence(*gap).within(begin, end) for gap in case.coverage.restarts)
    if case.window_given and case.coverage.span is not None:
        first, last = case.coverage.span
        for outside in (Silence(begin, min(first, end)), Silence(max(last, begin), end)):
            counted = any(silence.within(outside.start_ms, outside.end_ms) for silence in found)
            if outside.end_ms - outside.start_ms > BEYOND_MS and not counted:
                missing += outside.end_ms - outside.start_ms
    return max(1.0 - missing / (end - begin), 0.0)


def _is_gap(before: NDArray[np.bool_] | None, after: NDArray[np.bool_] | None, length: int) -> bool:
    if length < LEAST_WINDOWS:
        return False
    sides = [before[-AROUND_WINDOWS:]] if before is not None else []
    sides += [after[:AROUND_WINDOWS]] if after is not None else []
    # Half a silent window is added so that a short side does not prove a perfect habit.
    habit = min(float(side.sum()) / (len(side) + 0.5) for side in sides)
    return bool((1.0 - habit) ** length <= CHANCE)
