"""The review as tables of pandas, which Python programs get, and of which CSV and the spreadsheet are made."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pandas as pd

from flowdiag.review.portfolio_review import PortfolioReview
from flowdiag.review.table import LINK_COLUMNS, SITE_COLUMNS, Cell, link_rows, site_rows


def site_frame(review: PortfolioReview) -> pd.DataFrame:
    """One row a site, SITE_COLUMNS as Python's own types; None for what there is not."""
    return _frame(review, site_rows, SITE_COLUMNS)


def link_frame(review: PortfolioReview) -> pd.DataFrame:
    """One row for each link and direction of each site, LINK_COLUMNS as site_frame() has them."""
    return _frame(review, link_rows, LINK_COLUMNS)


def _frame(
    review: PortfolioReview, rows: Callable[[PortfolioReview], list[list[Cell]]], columns: Sequence[str]
) -> pd.DataFrame:
    return pd.DataFrame(rows(review), columns=list(columns), dtype="object")
