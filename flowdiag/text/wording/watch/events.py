"""What is said of an event that no finding has words for."""

from __future__ import annotations

from typing import Final

from flowdiag.text.clock import Clock, duration

ALL_SITES: Final = "all sites"
NOT_WATCHED: Final = (
    "The site has had no profile for two days and is not watched any more; nothing is known of it since."
)
NOT_WATCHED_CLIENT: Final = "We do not watch this site any more."


def not_heard_client(since_ms: int, ended_ms: int | None, timezone: str) -> str:
    """Of an exporter that says nothing, to the site's people."""
    clock = Clock(timezone)
    if ended_ms is None:
        return f"We have heard nothing from your router since {clock.moment(since_ms)}."
    return f"We heard nothing from your router {clock.span(since_ms, ended_ms, day=True)}; we hear it again."


def not_heard(since_ms: int, ended_ms: int | None, timezone: str) -> str:
    """The same to an engineer."""
    clock = Clock(timezone)
    if ended_ms is None:
        return (
            f"No flow records since {clock.moment(since_ms)}, longer than this exporter's habit explains: "
            "the site has no line, its router is off, or the export does not arrive."
        )
    lasted = duration(ended_ms - since_ms)
    return f"No flow records {clock.span(since_ms, ended_ms, day=True)} ({lasted}); they come again."


def came_and_went(times: int) -> str:
    """Added to the summary of what was told late because it came and went."""
    return f" It came and went {times} times before this was told."


def nobody_heard_client(since_ms: int, ended_ms: int | None, timezone: str) -> str:
    """Of all sites together; there is no client to whom it could be said."""
    clock = Clock(timezone)
    if ended_ms is None:
        return f"Nothing is wrong at a site as far as we know: we hear no router at all since {clock.moment(since_ms)}."
    return f"We heard no router at all {clock.span(since_ms, ended_ms, day=True)}; we hear them again."


def nobody_heard(since_ms: int, ended_ms: int | None, timezone: str) -> str:
    """The same to an engineer."""
    clock = Clock(timezone)
    if ended_ms is None:
        return (
            f"No flow records of any site since {clock.moment(since_ms)}: look at the collector, its disk and its network "
            "first; nothing is told of single sites meanwhile."
        )
    lasted = duration(ended_ms - since_ms)
    return (
        f"No flow records of any site {clock.span(since_ms, ended_ms, day=True)} ({lasted}); they come again."
    )
