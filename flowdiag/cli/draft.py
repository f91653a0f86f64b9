"""`flowdiag draft`: a site profile to start from."""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import click

from flowdiag.cli.options import exports_argument, talk_options
from flowdiag.cli.progress import progress_bar
from flowdiag.errors import FlowdiagError

STANDARD_INPUT: Final = "-"


@click.command("draft")
@exports_argument
@click.option("--output", type=click.Path(dir_okay=False, path_type=Path), help="Write to this file.")
@talk_options
def command(exports: tuple[str, ...], output: Path | None, quiet: bool) -> None:
    """Propose a site profile (TOML) from an export.

    Interfaces that look like links, which is primary and which backup, networks inside, keepalives with their
    interval: each guess stands beside a comment with its evidence and its alternative. What the site bought no
    export tells: the plan's rates are comments with the highest rate seen, to be filled in before diagnose,
    usage or review take the profile.

    \b
    Example:
      flowdiag draft export.pcap > site.toml
    """
    from flowdiag.cli.output import check_suffix, spare_inputs, write_result

    check_suffix("--output", output, ".toml")
    spare_inputs([output], exports)
    from flowdiag.draft.as_toml import as_toml
    from flowdiag.draft.proposal import draft_profile

    with progress_bar(quiet=quiet) as progress, readable_twice(exports) as paths:
        draft = draft_profile(paths, progress)
    write_result(as_toml(draft), output)


@contextmanager
def readable_twice(exports: tuple[str, ...]) -> Iterator[list[str]]:
    """The paths; standard input is copied to a file that goes away afterwards, as a draft reads twice."""
    if STANDARD_INPUT not in exports:
        yield list(exports)
        return
    with tempfile.NamedTemporaryFile(prefix="flowdiag-") as copy:
        shutil.copyfileobj(sys.stdin.buffer, copy)
        copy.flush()
        try:
            yield [copy.name if path == STANDARD_INPUT else path for path in exports]
        except FlowdiagError as error:
            if error.file == copy.name:
                error.file = "standard input"
            raise
