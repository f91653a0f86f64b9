"""Times without a date on the command line: the one place where a command looks at the clock for what it is asked about."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import click

if TYPE_CHECKING:
    from flowdiag.site.profile import Profile

NO_SITES_ZONE: Final = "UTC"


def now_ms() -> int:
    """Milliseconds since 1970 UTC."""
    return time.time_ns() // 1_000_000


def settled_times(
    exports: Sequence[str],
    profile: Profile | None,
    window_from: str | None,
    window_to: str | None,
    *,
    usual_from: str | None,
    quiet: bool,
) -> tuple[str | None, str | None]:
    """--from and --to with dates where a store tells them; says on standard error where that is not by the clock.

    usual_from: stands for --from where neither is given, which is said too; None to look at all of the exports.
    Raises UsageError for what cannot be read, StoreError for a store that cannot be.
    """
    if window_from is None and window_to is None:
        if usual_from is None:
            return None, None
        window_from = usual_from
        if not quiet:
            click.echo(f"flowdiag: looking at the {usual_from}; --from and --to name another time", err=True)
    from flowdiag.query_times import asked_times

    zone = NO_SITES_ZONE if profile is None else profile.site.timezone
    exporters = None if profile is None else profile.site.exporter_octets
    asked = asked_times(exports, window_from, window_to, zone, exporters, now_ms())
    if asked.remark is not None and not quiet:
        click.echo(f"flowdiag: {asked.remark}", err=True)
    return asked.window_from, asked.window_to
