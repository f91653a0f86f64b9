"""A file of settings in TOML that a pydantic model describes: read whole, each mistake in it one line.

No line repeats a wrong value, which may be a secret.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from flowdiag.errors import ConfigError
from flowdiag.site.mistakes import key_text, keys_of
from flowdiag.site.values import MAX_SHOWN

LARGEST: Final = 4 << 20  # octets; tens of thousands of entries
MOST_MISTAKES: Final = 20
_READ_BY_OTHERS: Final = 0o007
_PLAIN: Final = {
    "missing": "is missing",
    "extra_forbidden": "unknown key",
    "too_short": "is empty",
    "string_too_short": "is empty",
    "string_type": "is no text in quotes",
    "tuple_type": "is no list",
    "frozen_set_type": "is no list",
    "model_type": "is no table",
    "dict_type": "is no table",
}

Model = TypeVar("Model", bound=BaseModel)


def read_settings(path: Path, model: type[Model], kind: str, largest: int = LARGEST) -> Model:
    """What a file says. kind: what it is called in errors, such as "an access file". Raises ConfigError; with several mistakes
    its text has one line for each."""
    file, expected = str(path), f"{kind} (TOML)"
    try:
        with path.open("rb") as stream:
            content = stream.read(largest + 1)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else None
        raise ConfigError(f"cannot be read: {reason or error}", file=file) from None
    if len(content) > largest:
        raise ConfigError(f"has more than {largest} octets", file=file, expected=expected)
    try:
        raw = tomllib.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:  # not UTF-8, not TOML
        raise ConfigError(f"is not TOML: {error}", file=file, expected=expected) from None
    try:
        return model.model_validate(raw)
    except ValidationError as error:
        lines = _mistakes(error, raw, model)
        more = len(lines) - MOST_MISTAKES
        lines = lines[:MOST_MISTAKES] + ([f"{more} more mistakes"] if more > 0 else [])
        # The error class puts the file before the first line.
        raise ConfigError(f"\n{file}: ".join(lines), file=file) from None


def is_read_by_others(path: Path) -> bool:
    """Whether people of no group of the file's may read or change it."""
    try:
        return bool(path.stat().st_mode & _READ_BY_OTHERS)
    except OSError:
        return False


def _mistakes(error: ValidationError, raw: Mapping[str, Any], model: type[BaseModel]) -> list[str]:
    found = []
    for detail in error.errors(include_url=False, include_input=False):
        path = tuple(part for part in detail["loc"] if part != "[key]")
        key = key_text(path, raw)
        kind, message = detail["type"], detail["msg"]
        if kind in _PLAIN:
            what = _PLAIN[kind]
        elif kind == "value_error":
            what = str(detail["ctx"]["error"])
        else:
            what = f"is not allowed: {message[:1].lower()}{message[1:]}"
        if kind == "extra_forbidden" and (near := _nearest(path, model)):
            what += f', did you mean "{near}"?'
        found.append(f"{key}: {what}" if key else what)
    return found


def _nearest(path: tuple[int | str, ...], model: type[BaseModel]) -> str | None:
    """The key of the same table that an unknown one resembles."""
    for part in path[:-1]:
        if isinstance(part, str):
            below = keys_of(model).get(part)
            inner = next(_models(below.annotation), None) if below else None
            if inner is None:
                return None
            model = inner
    near = get_close_matches(str(path[-1])[:MAX_SHOWN].lower(), keys_of(model), n=1)
    return near[0] if near else None


def _models(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from _models(inner)
