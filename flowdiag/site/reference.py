"""The site profile's keys as Markdown tables, drawn from the model, for the documentation."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from flowdiag.site.mistakes import allowed_text, keys_of
from flowdiag.site.profile import Application, Keepalive, Label, Link, Site, Thresholds

TABLES: Final[tuple[tuple[str, type[BaseModel]], ...]] = (
    ("[site]", Site),
    ("[[link]]", Link),
    ("[[link.keepalive]]", Keepalive),
    ("[[label]]", Label),
    ("[[application]]", Application),
    ("[thresholds]", Thresholds),
)


def profile_tables() -> Iterator[str]:
    """One Markdown section for each table of the profile, in the order in which they are written."""
    for name, model in TABLES:
        rows = []
        for key, field in keys_of(model).items():
            allowed = allowed_text(model, key) or ""
            rows.append(
                f"| `{key}` | {_cell(field.description or '')} | {_cell(allowed)} | {_default(field)} |"
            )
        yield "\n".join(
            [f"## `{name}`", "", "| key | meaning | allowed | default |", "|---|---|---|---|", *rows]
        )


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    if field.default is None or field.default == []:
        return "none"
    if isinstance(field.default, bool):
        return "true" if field.default else "false"
    return f"{field.default:g}" if isinstance(field.default, float) else str(field.default)


def _cell(text: str) -> str:
    return text.replace("|", "\\|")
