"""`flowdiag inspect`: what is in an export, for an engineer."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from flowdiag.cli.options import exports_argument, output_options, rows_option, talk_options
from flowdiag.cli.progress import progress_bar

if TYPE_CHECKING:
    from flowdiag.inspection import Inspection

FORMATS: Final = ("text", "json")


@click.command("inspect")
@exports_argument
@output_options(*FORMATS)
@rows_option
@click.option("--templates", is_flag=True, help="All templates with their fields; in JSON they always are.")
@talk_options
def command(
    exports: tuple[str, ...], form: str | None, output: Path | None, limit: int, templates: bool, quiet: bool
) -> None:
    """Show what is in an export.

    Time span, records, lost and undecodable records, and the active timeout as seen in the data; exporters and observation
    domains with sampling, interfaces with names and octets each way, problems; templates last. EXPORT is a capture, an IPFIX
    file, NetFlow messages, a folder of them, or "-" for standard input.

    \b
    Example:
      flowdiag inspect router.pcap
      flowdiag inspect exports/ --format json
    """
    from flowdiag.cli.output import chosen_format, spare_inputs, write_result

    form = chosen_format(form, output, FORMATS)
    spare_inputs([output], exports)
    from flowdiag.inspection import inspect_export

    with progress_bar(quiet=quiet) as progress:
        inspection = inspect_export(exports, progress)
    on_terminal = output is None and sys.stdout.isatty()
    write_result(_rendered(inspection, form, limit, templates=templates, on_terminal=on_terminal), output)


def _rendered(inspection: Inspection, form: str, limit: int, *, templates: bool, on_terminal: bool) -> str:
    if form == "json":
        import json

        from flowdiag.inspection import as_json

        return json.dumps(as_json(inspection), indent=2)
    from flowdiag.forms.inspect import render

    return render(inspection, limit, templates=templates, on_terminal=on_terminal)
