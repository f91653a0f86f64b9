"""What "last hour" and "14:00" mean to a store: they count back from now while it is being filled, else from its newest flow.

They are settled before anything is read, since what is read of a store ends a while after the time asked about.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Final

from msgspec import Struct

from flowdiag.collector.readers.inputs import is_store
from flowdiag.collector.store.asking import asked_again
from flowdiag.site.clock import LocalTime
from flowdiag.site.window import dated, needs_a_date

# A store whose newest flow is older is not being filled: collect adds what came each minute, and a site in use has flows
# that end more often than its exporter's active timeout, half an hour where nobody set it (common practice, no source).
FILLED_WITHIN_MS: Final = 1_800_000


class AskedTimes(Struct, frozen=True):
    """window_from, window_to: ends of the window with dates where a store had to tell them, else as they were given.

    remark: says by what they were placed where that may surprise.
    """

    window_from: str | None
    window_to: str | None
    remark: str | None = None


@asked_again
def asked_times(
    paths: Sequence[str | Path],
    window_from: str | None,
    window_to: str | None,
    timezone: str,
    exporters: Collection[bytes] | None,
    now_ms: int | None = None,
) -> AskedTimes:
    """Places times without a date in the stores among the paths; where other exports are among them, the end of all that is
    read will tell. timezone: the site's; exporters: the site's, None for all; now_ms: since 1970 UTC, None to go by
    the newest flow whatever the time is.

    Raises UsageError for what cannot be read or cannot be, StoreError for a store that cannot be read.
    """
    as_given = AskedTimes(window_from, window_to)
    dateless = needs_a_date("--from", window_from) or needs_a_date("--to", window_to)
    if not dateless or not all(map(is_store, paths)):
        return as_given
    # Loaded here since most exports are no stores, and Parquet takes a tenth of a second to load.
    from flowdiag.collector.store.opening import open_backend
    from flowdiag.collector.store.statistics import stored_span

    spans = [stored_span(open_backend(path), exporters) for path in paths]
    first_ms = min((first for first, _ in spans if first is not None), default=None)
    newest_ms = max((last for _, last in spans if last is not None), default=None)
    if newest_ms is None:
        return as_given
    if now_ms is None or abs(now_ms - newest_ms) <= FILLED_WITHIN_MS:
        end_ms = newest_ms if now_ms is None else now_ms
        return AskedTimes(*dated(window_from, window_to, timezone, first_ms, end_ms))
    newest = LocalTime(timezone).iso(newest_ms)
    return AskedTimes(
        *dated(window_from, window_to, timezone, first_ms, newest_ms),
        f"the store's newest flow ended at {newest}, and times without a date are counted back from there",
    )
