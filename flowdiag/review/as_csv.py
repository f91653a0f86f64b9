"""The review as CSV (RFC 4180): one row a site, formulas neutralised."""

from __future__ import annotations

import csv
import io

from flowdiag.review.as_json import rounded
from flowdiag.review.portfolio_review import PortfolioReview
from flowdiag.review.table import SITE_COLUMNS, site_rows
from flowdiag.text.escape import csv_cell


def render(review: PortfolioReview) -> str:
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(SITE_COLUMNS)
    for row in site_rows(review):
        writer.writerow([csv_cell(cell) if isinstance(cell, str) else rounded(cell) for cell in row])
    return file.getvalue()
