"""The note as one self-contained HTML file."""

from __future__ import annotations

from flowdiag.note import text
from flowdiag.note.escape import html
from flowdiag.note.model import Note


def render(note: Note) -> str:
    """HTML without scripts and without anything fetched."""
    title = html(str(note.document["site"]))
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{title}</title></head>\n<body><main><h1>{title}</h1>\n<pre>"
        + "\n".join(html(line) for line in text.render(note).splitlines())
        + "</pre></main></body></html>\n"
    )
