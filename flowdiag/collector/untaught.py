"""Data sets without a template: what to tell a user whose export began between two sendings of the templates.

Facts the design follows:
- IPFIX over UDP and NetFlow v9 send templates again after a time or a number of packets, both settings of the exporter
  (RFC 7011 8.4, RFC 3954 9); every 5 to 30 minutes is common practice, no source. A capture that is shorter may hold
  data sets only, and no other source says how to read them;
- data sets wait for a template that comes later in the export, so what is counted here was never taught.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from flowdiag.collector.readers.inputs import STANDARD_INPUT, STANDARD_INPUT_NAME, is_store
from flowdiag.collector.report import ExportReport
from flowdiag.errors import ExportError

ADVICE: Final = (
    "capture until the exporter sends its templates again (common practice: every 5 to 30 minutes, or every so many "
    "packets, as it is set up)"
)


def untaught(report: ExportReport) -> str | None:
    """Why not one flow record of an export could be decoded, if that is for want of templates; else None."""
    sets = report.undecoded_sets
    if not sets or any(session.records for session in report.sessions):
        return None
    any_flow_template = any(
        not template.scope_fields for session in report.sessions for template in session.templates.values()
    )
    which = "none of the templates of its data sets" if any_flow_template else "no templates"
    waited = "1 data set waited for its" if sets == 1 else f"{sets:,} data sets waited for theirs"
    return f"the export holds {which}: {waited} in vain, so no flow record could be decoded"


def refuse_untaught(report: ExportReport, paths: Sequence[str | Path]) -> None:
    """Raises ExportError, in one line, if nothing of an export can be used for want of templates.

    What a store holds was decoded when it came, so nothing is refused of one.
    """
    what = untaught(report)
    if what is not None and not any(is_store(path) for path in paths):
        name = STANDARD_INPUT_NAME if str(paths[0]) == STANDARD_INPUT else str(paths[0])
        raise ExportError(what, file=name if len(paths) == 1 else None, advice=ADVICE)
