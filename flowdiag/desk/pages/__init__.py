"""One file for each page of the desk: it reads what was asked, gets answers, fills a template."""

__all__ = [
    "accounts",
    "board",
    "closer",
    "front",
    "health",
    "morning",
    "note",
    "sign_in",
    "style",
    "upload",
    "waiting",
    "watch",
    "watch_rows",
]
