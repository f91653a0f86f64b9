"""`flowdiag ingest`: exports into the flow store."""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import click

from flowdiag.cli.options import cluster_option, jobs_option, output_options, talk_options
from flowdiag.cli.parameters import days as read_days
from flowdiag.cli.parameters import need_longer_rollups
from flowdiag.cli.progress import progress_bar, stage
from flowdiag.collector.store.prepare import prepare
from flowdiag.errors import UsageError

FORMATS: Final = ("text", "json")


@click.command("ingest")
@click.argument("exports", metavar="[EXPORT]...", nargs=-1)
@click.option(
    "--store", required=True, metavar="DIR", help="The store: a folder, or an address such as s3://…"
)
@click.option("--compact", is_flag=True, help="Merge small files of the store into large ones.")
@click.option(
    "--retain", "days", metavar="DAYS", callback=read_days, help="Drop the days before the newest 90d, say."
)
@click.option(
    "--retain-rollups", "rollup_days", metavar="DAYS", callback=read_days,
    help="Keep sums and summaries of dropped days this long; they go with the flows by default.",
)  # fmt: skip
@click.option("--rebuild", is_flag=True, help="Make missing and damaged roll-ups anew from the flows.")
@click.option("--rebuild-all", is_flag=True, help="Make all roll-ups anew.")
@jobs_option("Files decoded at the same time; one for each processor by default.")
@cluster_option
@output_options(*FORMATS)
@talk_options
def command(
    exports: tuple[str, ...],
    store: str,
    compact: bool,
    days: int | None,
    rollup_days: int | None,
    rebuild: bool,
    rebuild_all: bool,
    jobs: int | None,
    cluster: str | None,
    form: str | None,
    output: Path | None,
    quiet: bool,
) -> None:
    """Decode exports into the flow store, and look after it.

    An export whose content is in the store already is not added again, whatever it is called now. The store is Parquet
    files by exporter and UTC day, which any tool for Parquet reads; diagnose, top, usage, inspect and review take it
    where they take exports. Beside each file stands a roll-up (sums a minute, summaries an hour), so that long questions need not
    read the flows. Without EXPORT, only --rebuild, --compact and --retain are done.

    \b
    Example:
      flowdiag ingest captures/ --store flows
      flowdiag ingest today.pcap.gz --store s3://bucket/flows
      flowdiag ingest --store flows --compact --retain 90d --retain-rollups 400d
      flowdiag ingest --store flows --rebuild
    """
    from flowdiag.cli.output import chosen_format, spare_inputs, write_result

    form = chosen_format(form, output, FORMATS)
    spare_inputs([output], [*exports, store])
    rebuild = rebuild or rebuild_all
    need_longer_rollups(days, rollup_days)
    if not exports and not compact and not rebuild and days is None:
        raise UsageError("nothing to do", expected="exports to add, --compact, --rebuild or --retain")
    jobs = jobs or os.cpu_count() or 1
    several = len(exports) > 1 or any(Path(export).is_dir() for export in exports)
    if (several or rebuild) and jobs > 1 and cluster is None:
        prepare(
            "flowdiag.collector.store.rebuilding", "flowdiag.collector.store.ingest", "flowdiag.rollup.making"
        )
    from flowdiag.cli.ingest_forms import as_json, as_text

    work = _Work(store, jobs, cluster, quiet=quiet)
    if exports:
        work.add(exports)
    if days is not None or compact:
        work.tidy(days, rollup_days, compact=compact, mend=compact and not rebuild)
    if rebuild:
        work.rebuild(everything=rebuild_all)
    done = work.done
    write_result(as_json(done) if form == "json" else as_text(done), output)
    for outcome in done.outcomes:
        if outcome.state == "failed" and outcome.error is not None:
            raise outcome.error


class _Work:
    """What one run does to a store, and what came of it."""

    def __init__(self, store: str, jobs: int, cluster: str | None, *, quiet: bool) -> None:
        from flowdiag.cli.ingest_forms import Done
        from flowdiag.rollup import ROLLER

        self._store = store
        self._jobs = jobs
        self._cluster = cluster
        self._quiet = quiet
        self._roller = ROLLER
        self.done = Done()

    def add(self, exports: Sequence[str]) -> None:
        from flowdiag.collector.store.ingest import ingest

        with progress_bar(quiet=self._quiet) as progress:
            self.done.outcomes = ingest(
                exports,
                self._store,
                jobs=self._jobs,
                progress=progress,
                cluster=self._cluster,
                roller=self._roller,
            )

    def tidy(self, days: int | None, rollup_days: int | None, *, compact: bool, mend: bool) -> None:
        from flowdiag.collector.store.opening import open_backend
        from flowdiag.collector.store.rebuilding import mend as mend_rollups
        from flowdiag.collector.store.retention import retain
        from flowdiag.collector.store.upkeep import compact as merge_small_files

        backend = open_backend(self._store)
        with progress_bar(quiet=self._quiet, what="looking at the store", counted=True) as progress:
            if days is not None:
                stage(progress, "dropping old days")
                today = int(time.time()) // 86_400
                self.done.dropped = retain(backend, days, today, rollup_days=rollup_days, roller=self._roller)
            if compact:
                stage(progress, "merging small files")
                self.done.merged = merge_small_files(backend, roller=self._roller)
            if mend:
                stage(progress, "looking at roll-ups")
                self.done.rebuilt = mend_rollups(backend, self._roller).rebuilt

    def rebuild(self, *, everything: bool) -> None:
        from flowdiag.collector.store.rebuilding import rebuild

        with progress_bar(quiet=self._quiet, what="making roll-ups") as progress:
            self.done.rebuilt = rebuild(
                self._store,
                self._roller,
                which="all" if everything else "missing",
                jobs=self._jobs,
                progress=progress,
                cluster=self._cluster,
            )
