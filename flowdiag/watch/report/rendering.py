"""The morning list of a store in a form, with what is acknowledged."""

from __future__ import annotations

from typing import Final

from flowdiag.watch.ledgers.opening import open_ledger
from flowdiag.watch.report import as_csv, as_html, as_json, as_text
from flowdiag.watch.report.acknowledging import acknowledged_in, with_acknowledged
from flowdiag.watch.report.reasons import MorningList

FORMATS: Final = ("text", "html", "csv", "json")


def acknowledged_list(store: str, morning: MorningList) -> MorningList:
    """With what the store's watch knows to be acknowledged or muted. Raises StoreError."""
    ledger = open_ledger(store)
    try:
        return with_acknowledged(morning, acknowledged_in(ledger, morning.now_ms))
    finally:
        ledger.close()


def render(morning: MorningList, form: str, *, on_terminal: bool = False) -> str:
    """form: of FORMATS."""
    if form == "html":
        return as_html.render(morning)
    if form == "csv":
        return as_csv.render(morning)
    return as_json.render(morning) if form == "json" else as_text.render(morning, on_terminal=on_terminal)
