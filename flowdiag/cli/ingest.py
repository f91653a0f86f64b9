"""`flowdiag ingest`: exports into the flow store."""

from __future__ import annotations

import os
import re
import time
from pathlib import Path
from typing import Final

import click

from flowdiag.cli.options import cluster_option, jobs_option, output_options, talk_options
from flowdiag.cli.progress import progress_bar, stage
from flowdiag.collector.store.prepare import prepare
from flowdiag.errors import UsageError

FORMATS: Final = ("text", "json")
_DAYS: Final = re.compile(r"(\d{1,5})\s*d?")


def _retention(ctx: click.Context, param: click.Parameter, value: str | None) -> int | None:
    if value is None:
        return None
    match = _DAYS.fullmatch(value.strip().lower())
    if match is None or not int(match[1]):
        raise click.BadParameter(f"{value[:40]!r} is not a number of days such as 90d")
    return int(match[1])


@click.command("ingest")
@click.argument("exports", metavar="[EXPORT]...", nargs=-1)
@click.option(
    "--store", required=True, metavar="DIR", help="The store: a folder, or an address such as s3://…"
)
@click.option("--compact", is_flag=True, help="Merge small files of the store into large ones.")
@click.option(
    "--retain", "days", metavar="DAYS", callback=_retention, help="Drop the days before the newest 90d, say."
)
@jobs_option("Files decoded at the same time; one for each processor by default.")
@cluster_option
@output_options(*FORMATS)
@talk_options
def command(
    exports: tuple[str, ...],
    store: str,
    compact: bool,
    days: int | None,
    jobs: int | None,
    cluster: str | None,
    form: str | None,
    output: Path | None,
    quiet: bool,
) -> None:
    """Decode exports into the flow store.

    An export whose content is in the store already is not added again, whatever it is called now. The store is Parquet
    files by exporter and UTC day, which any tool for Parquet reads; diagnose, top, usage, inspect and review take it
    where they take exports. Without EXPORT, only --compact and --retain are done.

    \b
    Example:
      flowdiag ingest captures/ --store flows
      flowdiag ingest today.pcap.gz --store s3://bucket/flows
      flowdiag ingest --store flows --compact --retain 90d
    """
    from flowdiag.cli.output import chosen_format, spare_inputs, write_result

    form = chosen_format(form, output, FORMATS)
    spare_inputs([output], [*exports, store])
    if not exports and not compact and days is None:
        raise UsageError("nothing to do", expected="exports to add, --compact or --retain")
    jobs = jobs or os.cpu_count() or 1
    several = len(exports) > 1 or any(Path(export).is_dir() for export in exports)
    if several and jobs > 1 and cluster is None:
        prepare("flowdiag.collector.store.ingest")
    from flowdiag.cli.ingest_forms import Done, as_json, as_text
    from flowdiag.collector.store.ingest import ingest
    from flowdiag.collector.store.opening import open_backend
    from flowdiag.collector.store.upkeep import compact as merge_small_files
    from flowdiag.collector.store.upkeep import retain

    done = Done()
    if exports:
        with progress_bar(quiet=quiet) as progress:
            done.outcomes = ingest(exports, store, jobs=jobs, progress=progress, cluster=cluster)
    backend = open_backend(store)
    with progress_bar(quiet=quiet, what="looking at the store", counted=True) as progress:
        if days is not None:
            stage(progress, "dropping old days")
            done.dropped = retain(backend, days, int(time.time()) // 86_400)
        if compact:
            stage(progress, "merging small files")
            done.merged = merge_small_files(backend)
    write_result(as_json(done) if form == "json" else as_text(done), output)
    for outcome in done.outcomes:
        if outcome.state == "failed" and outcome.error is not None:
            raise outcome.error
