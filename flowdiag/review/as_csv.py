"""The review as CSV: one row a site."""

from __future__ import annotations

from flowdiag.review.as_json import rounded
from flowdiag.review.portfolio_review import PortfolioReview
from flowdiag.review.table import SITE_COLUMNS
from flowdiag.text.csv_table import csv_table


def render(review: PortfolioReview) -> str:
    from flowdiag.review.frame import site_frame

    return csv_table(site_frame(review).map(rounded), SITE_COLUMNS)
