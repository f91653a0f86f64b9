"""The note as JSON (schema flowdiag.note/1)."""

from __future__ import annotations

import json

from flowdiag.note.model import Note


def render(note: Note) -> str:
    """JSON with stable key order; control characters and non-ASCII text are escaped."""
    return json.dumps(note.document, indent=2, ensure_ascii=True, allow_nan=False) + "\n"
