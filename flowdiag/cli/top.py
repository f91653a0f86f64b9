"""`flowdiag top`: who, what and where, ranked."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from flowdiag.cli.chosen import chosen, site_name_options
from flowdiag.cli.options import (
    link_options,
    milliseconds,
    optional_exports_argument,
    output_options,
    pseudonyms_option,
    rows_option,
    site_option,
    span_options,
    talk_options,
)
from flowdiag.cli.progress import progress_bar, stage
from flowdiag.errors import UsageError

if TYPE_CHECKING:
    from flowdiag.aggregator.partials import Measure
    from flowdiag.aggregator.top_keys import Kind

FORMATS: Final = ("text", "json", "csv")
KINDS: Final = ("talkers", "applications", "destinations", "conversations")
MEASURES: Final = ("octets", "packets", "flows")


def _step(ctx: click.Context, param: click.Parameter, value: str | None) -> int | None:
    return None if value is None else milliseconds(ctx, param, value)


@click.command("top")
@click.argument("kind", type=click.Choice(KINDS))
@optional_exports_argument
@site_option(required=False)
@site_name_options
@click.option(
    "--by", type=click.Choice(MEASURES), default="octets", show_default=True, help="What to rank by."
)
@span_options
@click.option(
    "--window", "step_ms", metavar="DURATION", callback=_step, help="Also a ranking for each window: 5m, 1h."
)
@link_options
@rows_option
@click.option(
    "--network-db",
    "network_dbs",
    metavar="FILE",
    multiple=True,
    type=click.Path(path_type=Path),
    help="A local .mmdb file for owners and countries of outside networks; may be repeated.",
)
@click.option(
    "--resolve",
    is_flag=True,
    help="Ask this machine's name servers for outside names, for 5 seconds at most; they learn the addresses.",
)
@pseudonyms_option
@output_options(*FORMATS)
@talk_options
def command(
    kind: Kind,
    exports: tuple[str, ...],
    site: Path | None,
    site_name: str | None,
    config: Path | None,
    by: Measure,
    window_from: str | None,
    window_to: str | None,
    step_ms: int | None,
    link: str | None,
    direction: str | None,
    limit: int,
    network_dbs: tuple[Path, ...],
    resolve: bool,
    pseudonyms: bool,
    form: str | None,
    output: Path | None,
    quiet: bool,
) -> None:
    """Rank talkers, applications, destinations or conversations.

    Talkers are hosts inside, destinations those outside, whichever end sent. Without --site private networks count
    as inside. The row "everything else" makes the shares add up to 100 %. Windows begin at --from, or else at the
    site's midnight; a flow counts in each window that it touches, its octets by time.

    \b
    Example:
      flowdiag top talkers --site-name harbour --from -30m
      flowdiag top talkers export.pcap --site site.toml
      flowdiag top applications exports/ --site site.toml --link fibre --direction up --from 14:00 --to 15:00
      flowdiag top destinations export.pcap --window 5m -n 5 --format csv
    """
    from flowdiag.cli.output import chosen_format, spare_inputs, write_result

    form = chosen_format(form, output, FORMATS)
    asked = chosen(exports, site, site_name, config)
    exports, site = asked.exports, asked.site
    spare_inputs([output], [*exports, site, *network_dbs])
    if link is not None and site is None:
        raise UsageError("--link needs --site", advice="the profile says which interfaces a link has")
    from flowdiag.aggregator.outside_names import NetworkDatabases
    from flowdiag.aggregator.site_flows import DIRECTION_NAMES
    from flowdiag.aggregator.top_ranking import Request
    from flowdiag.cli.times import settled_times
    from flowdiag.export_ranking import rank_export
    from flowdiag.forms.top import Outside, as_csv, as_json, as_text
    from flowdiag.pipeline import link_named
    from flowdiag.site.reading import read_profile

    profile = None if site is None else read_profile(site)
    window_from, window_to = settled_times(
        exports, profile, window_from, window_to, usual_from=asked.usual_from, quiet=quiet
    )
    databases = NetworkDatabases(network_dbs) if network_dbs else None
    request = Request(
        kind=kind,
        by=by,
        limit=limit or None,
        link=None if link is None or profile is None else link_named(profile, link),
        direction=None if direction is None else DIRECTION_NAMES.index(direction),
        window_from=window_from,
        window_to=window_to,
        step_ms=step_ms,
    )
    with progress_bar(quiet=quiet) as progress:
        top = rank_export(exports, profile, request, progress)
        if pseudonyms:
            from flowdiag.addresses import PRIVATE_NETWORKS
            from flowdiag.note.pseudonyms import Pseudonyms
            from flowdiag.note.top_pseudonyms import with_pseudonyms

            inside = (profile.site.lan if profile else None) or PRIVATE_NETWORKS
            top = with_pseudonyms(top, Pseudonyms.from_key_file(), inside)
        stage(progress, "asking for names" if resolve else "writing the ranking")
        outside = Outside(top, databases, resolve=resolve)
        if form == "json":
            text = as_json(top, outside)
        elif form == "csv":
            text = as_csv(top, outside)
        else:
            text = as_text(top, outside, on_terminal=output is None and sys.stdout.isatty())
    write_result(text, output)
