"""The account review at the desk: which sites need another plan."""

from __future__ import annotations

from typing import Final

from flowdiag.text.figures import count

TITLE: Final = "Account review"
REVIEWING: Final = "Reviewing the sites"
MONTH: Final = "Month"
MONTH_HINT: Final = "Such as 2026-03; empty for the newest 31 days of flows."
NO_MONTH: Final = "the month is to be written as year and month, such as 2026-03"
CLIENT: Final = "Client"
ALL_CLIENTS: Final = "All clients"
SHOW: Final = "Show"
NO_SITES: Final = "There are no sites for you to review."
NO_CLIENT: Final = "there is no such client, or not all of its sites are yours"
TABLE: Final = "Sites by urgency, or by the column that was chosen"
SORT_BY: Final = "Choose a column's name to sort by it; choose it again for the other way round."
# Of the table, in order: key in addresses, heading.
COLUMNS: Final = (
    ("rank", "#"),
    ("site", "Site"),
    ("advice", "Advice"),
    ("short", "In short"),
    ("tightest", "Tightest"),
    ("p95_mbps", "Busy times"),
    ("share", "Of plan"),
    ("busy_hours", "Busy for"),
    ("trend", "A month"),
)
LEGEND: Final = (
    "#: place by urgency. Busy times: the rate that 95 of 100 five-minute averages did not exceed, of the link and direction "
    "nearest to its plan. Busy for: time at or over the busy threshold. A month: the trend of the days' busy times. A trend over "
    "some weeks cannot tell growth from a season."
)
# Where the screen has no room for the other columns.
NARROW_LEGEND: Final = (
    "Of plan: the rate that 95 of 100 five-minute averages did not exceed, as a part of the plan. More figures are on a wider "
    "screen, and in the files below."
)
FULL_LINKS: Final = "Full links hide need beyond the plan."
WHY: Final = "Why"
CLIENT_PAGE: Final = "Client's page"
FILES: Final = "The whole review as a file"
CSV: Final = "CSV"
XLSX: Final = "Spreadsheet"
JSON: Final = "JSON"
LEFT_OUT: Final = "Left out"
EARLIER: Final = "Earlier"
LATER: Final = "Further"
PAGES: Final = "Pages of the table"
HOW_USED: Final = "How the lines were used"
SAVE: Final = "Save as file"
SEND: Final = "The file holds this client's sites alone, and can be sent."
BACK: Final = "Back to the review"


def of_pages(page: int, pages: int) -> str:
    return f"Page {page} of {pages}"


def sites(number: int) -> str:
    return count(number, "site")
