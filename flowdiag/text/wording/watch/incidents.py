"""The list of incidents that go on, and of what is silenced, as lines."""

from __future__ import annotations

from typing import Final

from flowdiag.text.clock import Clock
from flowdiag.text.figures import count

NOTHING: Final = "Nothing goes on."
NOTHING_SILENCED: Final = "Nothing is acknowledged or muted."


def since(ms: int, timezone: str) -> str:
    return f"since {Clock(timezone).moment(ms)}"


def silenced(kind: str, until_ms: int, timezone: str, by: str, reason: str) -> str:
    """muted until Tue 3 Mar 14:05 NZDT by R. Ngata: works on the mast"""
    who = f" by {by}" if by else ""
    why = f": {reason}" if reason else ""
    return f"{kind} until {Clock(timezone).moment(until_ms)}{who}{why}"


def about(sites: int | None, going_on: int) -> str:
    """3 sites of those watched, 1 incident that goes on; sites: None where it is about one incident."""
    incidents = count(going_on, "incident that goes on", "incidents that go on")
    return incidents if sites is None else f"{count(sites, 'site')} of those watched, {incidents}"
