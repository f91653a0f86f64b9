"""What `flowdiag watch` writes instead of watching: the morning list, and what a change over to a backup showed."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Final

import click

from flowdiag.cli.output import chosen_format, spare_inputs, write_result
from flowdiag.cli.progress import progress_bar
from flowdiag.errors import StoreError
from flowdiag.text.escape import terminal

REPORT_FORMATS: Final = ("text", "html", "csv", "json")
DRILL_FORMATS: Final = ("text", "html", "json")


def write_report(
    store: str,
    folder: Path,
    jobs: int,
    cluster: str | None,
    form: str | None,
    output: Path | None,
    *,
    quiet: bool,
) -> None:
    """The sites whose backup would not carry them now. Raises FlowdiagError."""
    from flowdiag.collector.store.changes import need_store
    from flowdiag.collector.store.opening import open_backend
    from flowdiag.collector.store.prepare import prepare
    from flowdiag.watch.report.morning import morning_list
    from flowdiag.watch.report.rendering import acknowledged_list, render
    from flowdiag.watch.report.sites import read_sites

    form = chosen_format(form, output, REPORT_FORMATS)
    spare_inputs([output], [store, folder])
    need_store(open_backend(store))
    if jobs > 1 and cluster is None:
        prepare("flowdiag.watch.report.morning")
    sites = read_sites(folder)
    now_ms = time.time_ns() // 1_000_000
    with progress_bar(quiet=quiet, what="looking at backups", counted=True) as progress:
        morning = morning_list(store, sites, now_ms, jobs=jobs, cluster=cluster, progress=progress)
    on_terminal = output is None and sys.stdout.isatty()
    try:
        morning = acknowledged_list(store, morning)
    except StoreError as error:
        click.echo(f"flowdiag: acknowledgements are left out: {terminal(str(error))}", err=True)
    write_result(render(morning, form, on_terminal=on_terminal), output)


def write_drill(store: str, folder: Path, key: str, form: str | None, output: Path | None) -> None:
    """What the change over to a backup with that key showed. Raises FlowdiagError."""
    from flowdiag.watch.drill.of_incident import drill_of_incident
    from flowdiag.watch.drill.rendering import render_drill

    form = chosen_format(form, output, DRILL_FORMATS)
    spare_inputs([output], [store, folder])
    drill = drill_of_incident(store, folder, key)
    write_result(
        render_drill(drill, "html" if form == "html" else "json" if form == "json" else "text"), output
    )
