"""Findings in, ticket note out: one file per format, and one place that neutralises untrusted text."""

__all__ = [
    "axis",
    "brief",
    "charting",
    "compose",
    "figures",
    "html",
    "json_note",
    "markdown",
    "model",
    "picture_file",
    "pseudonyms",
    "svg",
    "templates",
    "text",
    "top_pseudonyms",
]
