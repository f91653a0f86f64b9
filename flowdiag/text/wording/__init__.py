"""Headings, names and phrases of everything that is printed for people, one file for each thing that is printed."""

__all__ = [
    "brief",
    "comparison",
    "coverage",
    "demo",
    "desk",
    "draft",
    "figures",
    "ingest",
    "inspect",
    "note",
    "pages",
    "pictures",
    "review",
    "review_pages",
    "review_store",
    "top",
    "usage",
    "watch",
]
