"""`flowdiag usage`: each link's rate against its capacity over time."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from flowdiag.cli.chosen import chosen, required_site, site_name_options
from flowdiag.cli.options import (
    link_options,
    naming_the_profile,
    optional_exports_argument,
    output_options,
    site_option,
    span_options,
    talk_options,
    window_option,
)
from flowdiag.cli.progress import progress_bar

if TYPE_CHECKING:
    from flowdiag.pipeline import Direction

FORMATS: Final = ("text", "json", "csv")


@click.command("usage")
@optional_exports_argument
@site_option(required=False)
@site_name_options
@span_options
@window_option(default=None)
@link_options
@output_options(*FORMATS)
@talk_options
def command(
    exports: tuple[str, ...],
    site: Path | None,
    site_name: str | None,
    config: Path | None,
    window_from: str | None,
    window_to: str | None,
    window_ms: int | None,
    link: str | None,
    direction: Direction | None,
    form: str | None,
    output: Path | None,
    quiet: bool,
) -> None:
    """Show each link's rate per window and direction against its capacity.

    With mean, 95th percentile, peak, busy and full minutes, bounds of each window, and usage by service class (DSCP).
    Windows in which the exporter was silent are gaps, not zeros. Windows begin at --from, or else at the site's midnight;
    without --window they are minutes, or shorter where less than half an hour is looked at and the export resolves it.

    \b
    Example:
      flowdiag usage --site-name harbour --from yesterday --to today
      flowdiag usage export.pcap --site site.toml
      flowdiag usage exports/ --site site.toml --link fibre --direction up --window 5m --from 14:00 --to 15:00
      flowdiag usage export.pcap --site site.toml --output usage.csv
    """
    from flowdiag.cli.output import chosen_format, spare_inputs, write_result

    form = chosen_format(form, output, FORMATS)
    asked = chosen(exports, site, site_name, config)
    exports, site = asked.exports, required_site(asked.site)
    spare_inputs([output], [*exports, site])
    from flowdiag.cli.times import settled_times
    from flowdiag.export_usage import report_usage
    from flowdiag.forms.usage import as_csv, as_json, as_text
    from flowdiag.site.reading import read_profile

    profile = read_profile(site)
    window_from, window_to = settled_times(
        exports, profile, window_from, window_to, usual_from=asked.usual_from, quiet=quiet
    )
    with naming_the_profile(site), progress_bar(quiet=quiet) as progress:
        report = report_usage(
            exports,
            profile,
            window_from=window_from,
            window_to=window_to,
            window_ms=window_ms,
            link=link,
            direction=direction,
            progress=progress,
        )
        if form == "json":
            text = as_json(report)
        elif form == "csv":
            text = as_csv(report)
        else:
            text = as_text(report, on_terminal=output is None and sys.stdout.isatty())
    write_result(text, output)
