"""The review as a spreadsheet (Office Open XML, ECMA-376): sites and links on a sheet each.

Text is written as text, never as a formula or a link, and neutralised besides, so that it stays harmless when a sheet is
saved as CSV. Created without a clock, so that the same review gives the same octets.
"""

from __future__ import annotations

import io
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

from flowdiag.review.as_json import rounded
from flowdiag.review.portfolio_review import PortfolioReview
from flowdiag.text.escape import csv_cell
from flowdiag.text.wording import review_pages as wording

if TYPE_CHECKING:
    import pandas as pd

_CREATED: Final = datetime(2000, 1, 1)
_SHARES: Final = frozenset(
    {
        "share_of_plan",
        "top_talker_share",
        "top_talker_share_most",
        "coverage",
        "allowance_used",
        "allowance_projected",
    }
)
_WIDE: Final = {"reasons": 90, "site": 28, "client": 28, "plan": 16, "link": 14}
_USUAL_WIDTH: Final = 13


def render(review: PortfolioReview) -> bytes:
    import xlsxwriter

    from flowdiag.review.frame import link_frame, site_frame

    file = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(file, options) as book:
        book.set_properties({"title": wording.TITLE, "created": _CREATED})
        formats = {
            "head": book.add_format({"bold": True, "text_wrap": True, "valign": "top"}),
            "share": book.add_format({"num_format": "0%"}),
            "figure": book.add_format({"num_format": "0.0#"}),
            "wrap": book.add_format({"text_wrap": True, "valign": "top"}),
        }
        sites, links = wording.SHEETS
        _sheet(book, sites, site_frame(review), formats)
        _sheet(book, links, link_frame(review), formats)
    return file.getvalue()


def _sheet(book: Any, name: str, table: pd.DataFrame, formats: dict[str, Any]) -> None:
    sheet = book.add_worksheet(name)
    sheet.freeze_panes(1, 0)
    for number, column in enumerate(map(str, table)):
        sheet.set_column(number, number, _WIDE.get(column, _USUAL_WIDTH))
        sheet.write_string(0, number, column, formats["head"])
    for row, cells in enumerate(table.itertuples(index=False), 1):
        for number, (column, cell) in enumerate(zip(map(str, table), cells, strict=True)):
            if isinstance(cell, str):
                sheet.write_string(
                    row, number, csv_cell(cell), formats["wrap"] if column == "reasons" else None
                )
            elif cell is not None:
                whole = isinstance(cell, int)
                kind = formats["share"] if column in _SHARES else None if whole else formats["figure"]
                sheet.write_number(row, number, rounded(cell), kind)
    sheet.autofilter(0, 0, len(table), len(table.columns) - 1)
