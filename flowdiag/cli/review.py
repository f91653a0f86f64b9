"""`flowdiag review`: which clients need another plan."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from flowdiag.cli.chosen import store_and_sites, store_options
from flowdiag.cli.options import (
    cluster_option,
    jobs_option,
    output_options,
    rows_option,
    talk_options,
)
from flowdiag.cli.progress import progress_bar, stage
from flowdiag.collector.store.prepare import prepare
from flowdiag.errors import FlowdiagError, UsageError

if TYPE_CHECKING:
    from flowdiag.cli.progress import Working
    from flowdiag.review.portfolio_review import PortfolioReview

FORMATS: Final = ("text", "csv", "json", "xlsx", "html")


@click.command("review")
@store_options
@click.option("--month", metavar="YYYY-MM", help="The month to review; the newest 31 days by default.")
@click.option(
    "--from",
    "begin",
    metavar="TIME",
    help="Begin of the period: 2026-03-01, -7d, monday; each site's local time.",
)
@click.option("--to", "end", metavar="TIME", help="End of the period, not included: as --from.")
@click.option(
    "--pages",
    metavar="FOLDER",
    type=click.Path(file_okay=False, path_type=Path),
    help="Also write an HTML page for each client to send, and one of all.",
)
@rows_option
@jobs_option("Sites reviewed at the same time; one for each processor by default.")
@cluster_option
@output_options(*FORMATS)
@talk_options
def command(
    store: str | None,
    folder: Path | None,
    config: Path | None,
    month: str | None,
    begin: str | None,
    end: str | None,
    pages: Path | None,
    limit: int,
    jobs: int | None,
    cluster: str | None,
    form: str | None,
    output: Path | None,
    quiet: bool,
) -> None:
    """Rank clients by need: upgrade, tune first, watch, fine, or not enough data, with the reasons.

    Per link and direction: 95th percentile and busy hour against the plan, busy and full hours, the trend with its
    interval, one talker's share; of a backup its use, leaks, allowance, and whether it would have carried the busy hours.
    What a day's flows say is kept in the store, so that the next review costs only the new days. Without --store and
    --sites, flowdiag.toml names them.

    \b
    Example:
      flowdiag review --store flows --sites sites/ --month 2026-03
      flowdiag review --store flows --sites sites/ --output review.xlsx --pages pages/
    """
    from flowdiag.cli.output import chosen_format, spare_inputs, write_bytes, write_result

    form = chosen_format(form, output, FORMATS)
    store, folder = store_and_sites(store, folder, config)
    spare_inputs([output], [store, folder])
    if form == "xlsx" and output is None:
        raise UsageError("a spreadsheet is no text", expected="--output FILE.xlsx")
    jobs = jobs or os.cpu_count() or 1
    if jobs > 1 and cluster is None:
        prepare("flowdiag.review.portfolio_review")
    from flowdiag.collector.store.opening import open_backend
    from flowdiag.review import as_csv, as_json, as_text, as_xlsx
    from flowdiag.review import pages as html
    from flowdiag.review.period import chosen_period
    from flowdiag.review.portfolio_review import review
    from flowdiag.review.sites import read_sites

    sites, faults = read_sites(folder)
    period = chosen_period(open_backend(store), month, begin, end)
    with progress_bar(quiet=quiet, what="reviewing sites", counted=True) as progress:
        done = review(store, sites, period, jobs=jobs, cluster=cluster, progress=progress)
        if pages is not None:
            _write_pages(pages, done, progress)
    if form == "xlsx" and output is not None:
        write_bytes(as_xlsx.render(done), output)
    elif form == "json":
        write_result(as_json.render(done), output)
    elif form == "csv":
        write_result(as_csv.render(done), output)
    elif form == "html":
        write_result(html.portfolio_page(done), output)
    else:
        on_terminal = output is None and sys.stdout.isatty()
        write_result(as_text.render(done, limit=limit, on_terminal=on_terminal), output)
    for fault in faults:
        click.echo(f"flowdiag: left out: {fault}", err=True)


def _write_pages(folder: Path, review: PortfolioReview, progress: Working | None) -> None:
    """Writes each client's page and the index of all. Raises FlowdiagError for a folder that cannot be written to."""
    from flowdiag.cli.output import write_result
    from flowdiag.review.pages import INDEX, client_page, page_names, portfolio_page

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FlowdiagError(f"cannot be made: {error.strerror or error}", file=str(folder)) from error
    names = page_names(review)
    stage(progress, "writing pages")
    for number, (client, sites) in enumerate(review.clients().items()):
        if progress is not None:
            progress(number, len(names))
        write_result(client_page(sites, review.period.words), folder / names[client])
    write_result(portfolio_page(review, names), folder / INDEX)
