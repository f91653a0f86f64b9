"""Values of options that several commands read alike."""

from __future__ import annotations

import re
from typing import Final

import click

from flowdiag.errors import UsageError

_DAYS: Final = re.compile(r"(\d{1,5})\s*d?")
_SECONDS: Final = re.compile(r"(\d{1,4}(?:\.\d{1,3})?)\s*(ms|s|m|)")
_UNITS: Final = {"": 1.0, "s": 1.0, "m": 60.0, "ms": 0.001}
LEAST_S: Final = 0.05
MOST_S: Final = 3_600.0


def days(ctx: click.Context, param: click.Parameter, value: str | None) -> int | None:
    """A number of days such as 90d."""
    if value is None:
        return None
    match = _DAYS.fullmatch(value.strip().lower())
    if match is None or not int(match[1]):
        raise click.BadParameter(f"{value[:40]!r} is not a number of days such as 90d")
    return int(match[1])


def need_longer_rollups(flows: int | None, rollups: int | None) -> None:
    """Raises UsageError unless roll-ups are to stay at least as long as their flows, in days; None: as not given."""
    if rollups is None or (flows is not None and flows <= rollups):
        return
    asked = "without --retain" if flows is None else f"and --retain {flows}d"
    raise UsageError(
        f"--retain-rollups {rollups}d {asked}",
        expected="a --retain of as many days or fewer, since roll-ups are made of the flows",
    )


def seconds(ctx: click.Context, param: click.Parameter, value: str) -> float:
    """A short time such as 200ms, 1s, 5m in seconds."""
    match = _SECONDS.fullmatch(value.strip().lower())
    duration = float(match[1]) * _UNITS[match[2]] if match else 0.0
    if not LEAST_S <= duration <= MOST_S:
        raise click.BadParameter(f"{value[:40]!r} is not a time such as 200ms, 1s or 5m (50ms to 60m)")
    return duration


def port(ctx: click.Context, param: click.Parameter, value: str) -> int | None:
    """A port, None for "none"."""
    if value == "none":
        return None
    if not value.isdigit() or int(value) > 65_535:
        raise click.BadParameter(f"{value[:40]!r} is not a port, nor 'none'")
    return int(value)
