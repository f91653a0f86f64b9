"""The one gate before anything is judged against a plan: a profile that lacks a plan rate is refused, and the refusal says
what the export shows, so that whoever fills the rate in can compare.

The highest rate seen is no plan: a link that was never full shows less than was bought, and one that is shaped or faulty
shows what is wrong with it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from msgspec import Struct

from flowdiag.aggregator.usage import Usage
from flowdiag.errors import ProfileError
from flowdiag.site.clock import LocalTime
from flowdiag.site.mistakes import link_key
from flowdiag.site.profile import Profile

KEYS: Final = ("down_mbps", "up_mbps")  # by direction
LEAST_SHOWN_MBPS: Final = 0.001  # less is stray packets
MAX_NAMED: Final = 8  # rates that one line names; a site has a handful


class HighestRate(Struct, frozen=True):
    """Mbit/s with framing; start_ms, length_ms: the window that had it, ms since 1970 UTC."""

    mbps: float
    start_ms: int
    length_ms: int

    def words(self, clock: LocalTime) -> str:
        """94.2 Mbit/s over the 60 s from 2026-03-03T14:31:00+13:00"""
        if self.mbps < LEAST_SHOWN_MBPS:
            return f"{'under ' if self.mbps else ''}{self.mbps and LEAST_SHOWN_MBPS:g} Mbit/s"
        return f"{self.mbps:.3g} Mbit/s over the {self.length_ms / 1000:g} s from {clock.iso(self.start_ms)}"


def highest_rate(usage: Usage, link: int, direction: int) -> HighestRate:
    """The highest rate of a window of the usage, the first where several have it."""
    rates = usage.mbps(link, direction)
    if not len(rates):
        return HighestRate(0.0, usage.start_ms, usage.window_ms)
    window = int(np.argmax(rates))
    return HighestRate(float(rates[window]), usage.start_ms + window * usage.window_ms, usage.window_ms)


def require_plan_rates(profile: Profile, usage: Usage) -> None:
    """Raises ProfileError, one line, for plan rates that the profile lacks: link, key and the highest rate of the usage."""
    clock = LocalTime(profile.site.timezone)

    def seen(link: int, direction: int) -> str:
        return f": the highest seen was {highest_rate(usage, link, direction).words(clock)}"

    _refuse(profile, seen, "fill them in from what was bought: a rate that was seen is no plan", None)


def with_plan_rates(profile: Profile, file: str) -> Profile:
    """The same profile. Raises ProfileError, one line, for plan rates that it lacks, where no export is at hand."""
    _refuse(profile, lambda link, direction: "", '"flowdiag draft EXPORT" shows the highest rates seen', file)
    return profile


def _refuse(profile: Profile, seen: Callable[[int, int], str], advice: str, file: str | None) -> None:
    missing = profile.without_plan()
    if not missing:
        return
    named = [f"{link_key(profile, link, KEYS[way])}{seen(link, way)}" for link, way in missing[:MAX_NAMED]]
    if len(missing) > MAX_NAMED:
        named.append(f"{len(missing) - MAX_NAMED} more")
    raise ProfileError(
        f"has no plan rate in {', '.join(named)}",
        file=file,
        expected="the plan's rates in Mbit/s",
        advice=advice,
    )
