"""Options that several commands share, one decorator each, so that they read and behave alike everywhere."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, TypeVar

import click

Decorated = TypeVar("Decorated", bound=Callable[..., Any])

DEFAULT_ROWS: Final = 20
MAX_JOBS: Final = 64
MAX_WINDOW_S: Final = 31 * 86_400  # a month in one window; more is no series

_DURATION: Final = re.compile(r"(\d{1,8}(?:\.\d{1,3})?)\s*(s|m|h|d|)")
_SECONDS: Final = {"": 1, "s": 1, "m": 60, "h": 3600, "d": 86_400}


def milliseconds(ctx: click.Context, param: click.Parameter, value: str | None) -> int | None:
    """A length of time such as 60s, 5m, 1h, 1d in milliseconds; a bare number is seconds; None where none is given."""
    if value is None:
        return None
    match = _DURATION.fullmatch(value.strip().lower())
    duration = round(float(match[1]) * _SECONDS[match[2]] * 1000) if match else 0
    if not 1000 <= duration <= MAX_WINDOW_S * 1000:
        raise click.BadParameter(f"{value[:40]!r} is not a length of time such as 60s, 5m or 1h (1s to 31d)")
    return duration


def exports_argument(function: Decorated) -> Decorated:
    """EXPORT..., passed as `exports`, a tuple of paths as text."""
    return click.argument("exports", metavar="EXPORT...", nargs=-1, required=True)(function)


def optional_exports_argument(function: Decorated) -> Decorated:
    """[EXPORT]..., passed as `exports`; cli/chosen.py says what is meant without."""
    return click.argument("exports", metavar="[EXPORT]...", nargs=-1)(function)


def site_option(*, required: bool) -> Callable[[Decorated], Decorated]:
    """--site, passed as `site`: the path of the profile or None."""
    return click.option(
        "--site",
        metavar="SITE.toml",
        required=required,
        type=click.Path(path_type=Path),
        help="The site profile (flowdiag draft proposes one).",
    )


def span_options(function: Decorated) -> Decorated:
    """--from and --to, passed as `window_from` and `window_to`: text or None (site/window.py reads them)."""
    when = '14:00, 2pm, "yesterday 14:00", "last hour", -2h, or ISO 8601; in the site\'s time zone.'
    function = click.option("--to", "window_to", metavar="TIME", help=f"End of the window: {when}")(function)
    return click.option("--from", "window_from", metavar="TIME", help=f"Begin of the window: {when}")(
        function
    )


def window_option(default: str | None = "60s") -> Callable[[Decorated], Decorated]:
    """--window, passed as `window_ms`; None where it is not given and there is no default."""
    return click.option(
        "--window",
        "window_ms",
        metavar="DURATION",
        callback=milliseconds,
        default=default,
        show_default=default is not None,
        help="Length of the time windows: 60s, 5m, 1h.",
    )


def output_options(*formats: str) -> Callable[[Decorated], Decorated]:
    """--format, passed as `form` (text or None), and --output, passed as `output` (a path or None).

    formats: the first is the default; cli/output.py turns both into the format to write.
    """

    def decorate(function: Decorated) -> Decorated:
        function = click.option(
            "--output",
            type=click.Path(dir_okay=False, path_type=Path),
            help="Write to this file; its suffix picks the format.",
        )(function)
        return click.option(
            "--format",
            "form",
            type=click.Choice(formats),
            help=f"Form of the result; {formats[0]} by default.",
        )(function)

    return decorate


def rows_option(function: Decorated) -> Decorated:
    """-n, passed as `limit`; 0 means all."""
    return click.option(
        "-n",
        "limit",
        type=click.IntRange(min=0),
        default=DEFAULT_ROWS,
        show_default=True,
        help="Rows of a list; 0 shows all.",
    )(function)


def link_options(function: Decorated) -> Decorated:
    """--link and --direction, passed as `link` and `direction`: text or None."""
    function = click.option("--direction", type=click.Choice(["down", "up"]), help="Only this direction.")(
        function
    )
    return click.option("--link", metavar="NAME", help="Only this link of the profile.")(function)


def pseudonyms_option(function: Decorated) -> Decorated:
    """--pseudonyms, passed as `pseudonyms`."""
    return click.option(
        "--pseudonyms", is_flag=True, help="Replace addresses inside the site by pseudonyms."
    )(function)


def talk_options(function: Decorated) -> Decorated:
    """--quiet, passed as `quiet`; --verbose, which the command group reads itself."""
    function = click.option("--verbose", is_flag=True, expose_value=False, help="Show a fault in full.")(
        function
    )
    return click.option("--quiet", is_flag=True, help="No progress bar and no remarks.")(function)


def jobs_option(text: str) -> Callable[[Decorated], Decorated]:
    """--jobs, passed as `jobs`: a number of processes or None. text: of the help."""
    return click.option("--jobs", type=click.IntRange(1, MAX_JOBS), help=text)


def cluster_option(function: Decorated) -> Decorated:
    """--cluster, passed as `cluster`: the address of a Dask scheduler or None."""
    return click.option(
        "--cluster",
        metavar="ADDRESS",
        help="Work on a Dask cluster whose workers see the same files: tcp://HOST:8786.",
    )(function)


@contextmanager
def naming_the_profile(site: Path | None) -> Iterator[None]:
    """What is found wrong with a profile only beside the export names the profile's file too."""
    from flowdiag.errors import ProfileError

    try:
        yield
    except ProfileError as error:
        if error.file is None and site is not None:
            error.file = str(site)
        raise
