"""How long the windows are in which figures are kept: as short as the evidence allows where the time is short.

A minute is what the trade looks at over hours. Of a time under half an hour a minute is too much: it hides what began and
ended within it. There the windows are as short as the export resolves, its active timeout as seen, down to five seconds
(common practice, no source). A sampled export is too rough for less than a minute.
"""

from __future__ import annotations

from typing import Final

from flowdiag.aggregator.coverage import Coverage
from flowdiag.durations import MINUTE_MS

SHORT_MS: Final = 1_800_000
# Lengths that divide a minute, so that windows of any of them stand on whole minutes too.
LENGTHS_S: Final = (5, 10, 15, 20, 30, 60)


def resolved_ms(coverage: Coverage) -> int:
    """The shortest of the usual lengths in which the export's records tell something, in ms; a minute at most."""
    if coverage.sampling > 1:
        return MINUTE_MS
    return next((length * 1000 for length in LENGTHS_S if length >= coverage.resolution_s), MINUTE_MS)


def figure_window_ms(coverage: Coverage, asked_ms: tuple[int, int]) -> int:
    """Length in ms of the windows of figures for a time asked about, [from, to) in ms since 1970 UTC."""
    begin, end = asked_ms
    if coverage.span is not None:
        begin, end = max(begin, coverage.span[0]), min(end, coverage.span[1])
    return MINUTE_MS if end - begin >= SHORT_MS else resolved_ms(coverage)
