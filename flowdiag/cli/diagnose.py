"""`flowdiag diagnose`: the ticket note."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click
from msgspec.structs import replace

from flowdiag.cli.chosen import chosen, site_name_options
from flowdiag.cli.options import (
    link_options,
    naming_the_profile,
    optional_exports_argument,
    output_options,
    pseudonyms_option,
    site_option,
    span_options,
    talk_options,
)
from flowdiag.cli.progress import progress_bar, stage
from flowdiag.errors import UsageError

if TYPE_CHECKING:
    from flowdiag.note.model import Chart, Note
    from flowdiag.pipeline import Direction
    from flowdiag.site.profile import Profile

FORMATS: Final = ("text", "markdown", "html", "json")
SEVERITIES: Final = ("info", "warning", "critical")
RATE: Final = click.FloatRange(min=0, min_open=True)
FOUND: Final = 3  # exit code of --fail-on


@click.command("diagnose")
@optional_exports_argument
@site_option(required=False)
@site_name_options
@click.option("--ticket", metavar="REF", help="The ticket's reference, for the head of the note.")
@click.option("--reported", metavar="TEXT", help="What the client said.")
@span_options
@click.option(
    "--compare",
    metavar="TIME",
    help='Hold another time beside it: a begin, or "TIME to TIME"; as long as the time asked about.',
)
@click.option("--down", type=RATE, metavar="MBPS", help="Without a profile: download rate of the plan.")
@click.option("--up", type=RATE, metavar="MBPS", help="Without a profile: upload rate of the plan.")
@click.option("--interface", metavar="N", type=int, help="Without a profile: ifIndex of the link.")
@click.option(
    "--lan", metavar="CIDR", multiple=True, help="Without a profile: a network inside; may be repeated."
)
@click.option(
    "--timezone", metavar="ZONE", help="Without a profile: the site's IANA time zone; UTC by default."
)
@output_options(*FORMATS)
@click.option(
    "--chart",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Draw each link's rate to this PNG or SVG.",
)
@click.option(
    "--brief",
    is_flag=True,
    help="One page: the client's part, the verdict and one picture. JSON stays whole.",
)
@link_options
@pseudonyms_option
@click.option("--fail-on", type=click.Choice(SEVERITIES), help="Exit 3 if a finding is at least this severe.")
@talk_options
def command(
    exports: tuple[str, ...],
    site: Path | None,
    site_name: str | None,
    config: Path | None,
    ticket: str | None,
    reported: str | None,
    window_from: str | None,
    window_to: str | None,
    compare: str | None,
    down: float | None,
    up: float | None,
    interface: int | None,
    lan: tuple[str, ...],
    timezone: str | None,
    form: str | None,
    output: Path | None,
    chart: Path | None,
    brief: bool,
    link: str | None,
    direction: Direction | None,
    pseudonyms: bool,
    fail_on: str | None,
    quiet: bool,
) -> None:
    """Write the ticket note: was a link full, who and what filled it, was the site on its backup?

    The first half of the note is for the client, the second for an engineer. Without EXPORT, the store that flowdiag.toml
    names is asked for the site's flows.

    \b
    Example:
      flowdiag diagnose export.pcap --site site.toml --ticket T-1042 --reported "video calls freeze"
      flowdiag diagnose exports/ --site site.toml --from 14:00 --to 15:00 --output note.html
      flowdiag diagnose exports/ --site site.toml --from 14:00 --to 15:00 --brief --output page.html
      flowdiag diagnose --site-name "harbour lane" --from "last hour"
      flowdiag diagnose exports/ --site site.toml --from 14:00 --to 15:00 --compare "last tuesday 14:00"
      flowdiag diagnose export.pcap --down 100 --up 40 --interface 2 --lan 192.168.40.0/24 --timezone Pacific/Auckland
    """
    from flowdiag.cli.output import check_suffix, chosen_format, spare_inputs, write_result
    from flowdiag.site.window import read_compared

    form = chosen_format(form, output, FORMATS)
    asked = chosen(exports, site, site_name, config)
    exports, site = asked.exports, asked.site
    check_suffix("--chart", chart, ".png", ".svg")
    spare_inputs([output, chart], [*exports, site])
    if compare is not None:
        read_compared(compare)  # so that a slip in it costs no reading
    profile = profile_of(site, down, up, interface, lan, timezone)
    # Loaded after the options are known to be right, since it takes longer than a wrong option should.
    from flowdiag.cli.times import now_ms, settled_times
    from flowdiag.comparing import run_other
    from flowdiag.note.compose import compose
    from flowdiag.pipeline import run

    window_from, window_to = settled_times(
        exports, profile, window_from, window_to, usual_from=asked.usual_from, quiet=quiet
    )
    with naming_the_profile(site), progress_bar(quiet=quiet) as progress:
        diagnosis = run(
            exports,
            profile,
            window_from=window_from,
            window_to=window_to,
            reported=reported,
            link=link,
            direction=direction,
            progress=progress,
        )
        other = None
        if compare is not None:
            stage(progress, "comparing")
            other = run_other(
                exports,
                diagnosis.case,
                compare,
                link=link,
                direction=direction,
                progress=progress,
                now_ms=now_ms(),
            )
        stage(progress, "writing the note")
        names = None
        if pseudonyms:
            from flowdiag.note.pseudonyms import Pseudonyms

            names = Pseudonyms.from_key_file()
        note = shown_charts(
            compose(diagnosis, ticket=ticket, pseudonyms=names, other=other, direction=direction),
            link,
            direction,
        )
        text = rendered(note, form, brief=brief, on_terminal=output is None and sys.stdout.isatty())
        if chart is not None:
            stage(progress, "drawing the pictures")
            draw(note, chart, brief=brief)
    write_result(text, output)
    if fail_on is not None and any(
        severe_enough(finding.severity, fail_on) for finding in diagnosis.findings
    ):
        raise click.exceptions.Exit(FOUND)


def profile_of(
    site: Path | None,
    down: float | None,
    up: float | None,
    interface: int | None,
    lan: tuple[str, ...],
    timezone: str | None,
) -> Profile:
    """The profile of --site, or one made of --down, --up and --interface. Raises UsageError for neither."""
    from flowdiag.site.reading import profile_from_options, read_profile

    given = {
        "--down": down,
        "--up": up,
        "--interface": interface,
        "--lan": lan or None,
        "--timezone": timezone,
    }
    named = [option for option, value in given.items() if value is not None]
    if site is not None:
        if named:
            raise UsageError(
                f"{', '.join(named)} would contradict --site", advice="give the profile or these options"
            )
        return read_profile(site)
    if down is None or up is None or (interface is None and not lan):
        raise UsageError(
            "what the site bought is not known",
            expected="--site SITE.toml, or --down MBPS --up MBPS --interface N",
            advice='"flowdiag draft EXPORT > site.toml" proposes a profile',
        )
    return profile_from_options(down, up, interface, lan, timezone or "UTC")


def draw(note: Note, chart: Path, *, brief: bool) -> None:
    """The pictures of a note, or the one of its short form, as an SVG where the suffix says so, else as a PNG. Raises
    FlowdiagError if it cannot be written."""
    from flowdiag.cli.output import write_bytes
    from flowdiag.note.brief import shortened
    from flowdiag.note.picture_file import pictures_png, pictures_svg

    drawn = shortened(note).note if brief else note
    vector = chart.suffix.lower() == ".svg"
    write_bytes(pictures_svg(drawn).encode() if vector else pictures_png(drawn), chart)


def rendered(note: Note, form: str, *, brief: bool, on_terminal: bool) -> str:
    """The note in a format. brief: its short form, which JSON has none of; on_terminal: text may have colours."""
    if form == "json":
        from flowdiag.note import json_note

        return json_note.render(note)
    if form == "text":
        from flowdiag.note import text

        return (text.render_brief if brief else text.render)(note, on_terminal=on_terminal)
    if form == "markdown":
        from flowdiag.note.markdown import render, render_brief
    else:
        from flowdiag.note.html import render, render_brief
    return (render_brief if brief else render)(note)


def shown_charts(note: Note, link: str | None, direction: Direction | None) -> Note:
    """The note with the pictures of one link and direction only, as its figures are."""
    if link is None and direction is None:
        return note
    wanted = None if link is None else link.strip().casefold()

    def stays(picture: Chart) -> bool:
        return wanted in (None, picture.link.casefold()) and direction in (None, picture.direction)

    stack = note.stack if note.stack is not None and stays(note.stack.chart) else None
    return replace(note, charts=tuple(filter(stays, note.charts)), stack=stack)


def severe_enough(severity: str, least: str) -> bool:
    return SEVERITIES.index(severity) >= SEVERITIES.index(least)
