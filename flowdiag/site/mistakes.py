"""What pydantic found wrong with a profile, one line a mistake: key, what is wrong, what is allowed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from msgspec import Struct
from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from flowdiag.site.profile import (
    AT_ODDS,
    Allowed,
    Application,
    Keepalive,
    KeyPath,
    Label,
    Link,
    Profile,
    Site,
    Thresholds,
    applications_at_odds,
    labels_at_odds,
    links_at_odds,
)
from flowdiag.site.values import MAX_SHOWN, shown

# Of what pydantic found: a megabyte of unknown keys is a hundred thousand, each to be compared with the known ones.
MAX_LOOKED_AT: Final = 1_000

_MODELS: Final[Mapping[tuple[str, ...], type[BaseModel]]] = {
    (): Profile,
    ("site",): Site,
    ("link",): Link,
    ("link", "keepalive"): Keepalive,
    ("label",): Label,
    ("application",): Application,
    ("thresholds",): Thresholds,
}


class Mistake(Struct, frozen=True):
    """key: dotted, positions counted from 1, such as link[2].down_mbps; links and labels with their name."""

    key: str
    what: str
    expected: str | None = None

    def __str__(self) -> str:
        text = f"{self.key}: {self.what}"
        return f"{text}; expected {self.expected}" if self.expected else text


def keys_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """The keys of a model as they stand in TOML, in order."""
    return {field.alias or name: field for name, field in model.model_fields.items()}


def mistakes_in(error: ValidationError, raw: Mapping[str, Any]) -> list[Mistake]:
    """Every mistake in a raw profile that pydantic refused, in the order of the profile's keys; of very many the first
    MAX_LOOKED_AT and what is wrong between tables.

    Pydantic compares links and labels with each other only when all else is right; those that are right
    alone are compared here too, so that one run shows all.
    """
    details = error.errors(include_url=False)[:MAX_LOOKED_AT]
    misspelt = {(*detail["loc"][:-1], _nearest(detail["loc"])) for detail in details if _is_unknown(detail)}
    found = [
        mistake
        for detail in details
        if not (detail["type"] == "missing" and detail["loc"] in misspelt)  # one slip, one line
        for mistake in _from_detail(detail, raw)
    ]
    if not any(detail["type"] == AT_ODDS and not detail["loc"] for detail in details):
        links = links_at_odds(_valid(raw, "link", Link), complete=False)
        labels = labels_at_odds(_valid(raw, "label", Label))
        applications = applications_at_odds(_valid(raw, "application", Application))
        between = [*links, *labels, *applications]
        found += [_at_odds(path, what, raw) for path, what in between]
    return found


def _valid(raw: Mapping[str, Any], key: str, model: type[Any]) -> list[tuple[int, Any]]:
    """(position, value) of the tables under key that are right by themselves."""
    tables = raw.get(key)
    valid = []
    for number, table in enumerate(tables if isinstance(tables, list) else []):
        try:
            valid.append((number, model.model_validate(table)))
        except ValidationError:
            continue
    return valid


def _from_detail(detail: ErrorDetails, raw: Mapping[str, Any]) -> Iterator[Mistake]:
    path = detail["loc"]
    if detail["type"] == AT_ODDS:
        for below, what in detail["ctx"]["found"]:
            yield _at_odds((*path, *below), what, raw)
        return
    if _is_unknown(detail):
        yield _unknown_key(path, raw)
        return
    key = key_text(path, raw)
    if detail["type"] == "missing":
        yield Mistake(key, "is missing", allowed_at(path))
    elif path and path[-1] == "[key]":
        yield Mistake(
            key_text(path[:-2], raw),
            f"the name {shown(path[-2])} cannot be used",
            "text of 1 to 200 characters",
        )
    elif detail["type"] == "value_error":
        yield Mistake(key, str(detail["ctx"]["error"]), allowed_at(path))
    elif detail["type"] == "too_long" and isinstance(detail["input"], list):
        yield Mistake(
            key, f"has {detail['ctx']['actual_length']} entries", f"at most {detail['ctx']['max_length']}"
        )
    else:
        yield Mistake(key, f"{_kind(detail['input'])} is not allowed", allowed_at(path))


def _kind(value: object) -> str:
    """A wrong value as the person wrote it; tables and lists by their kind."""
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list" if len(repr(value)) > MAX_SHOWN else shown(list(value))
    return shown(value)


def _at_odds(path: KeyPath, what: str, raw: Mapping[str, Any]) -> Mistake:
    return Mistake(key_text(path, raw), what)


def _unknown_key(path: KeyPath, raw: Mapping[str, Any]) -> Mistake:
    known = list(keys_of(_MODELS[_names(path[:-1])]))
    wanted = str(path[-1])
    near = _nearest(path)
    elsewhere = [names for names, other in _MODELS.items() if wanted in keys_of(other)]
    what = "unknown key"
    if near:
        what += f', did you mean "{near}"?'
    elif elsewhere:
        table = ".".join(elsewhere[0])
        what += f", it belongs into [{table}]" if table else ", it belongs at the top"
    return Mistake(key_text(path, raw), what, " or ".join([", ".join(known[:-1]), known[-1]]))


def _is_unknown(detail: ErrorDetails) -> bool:
    return detail["type"] == "extra_forbidden"


def _nearest(path: KeyPath) -> str | None:
    """The known key that an unknown one resembles."""
    from difflib import get_close_matches  # needed for a wrong profile only

    known = keys_of(_MODELS[_names(path[:-1])])
    near = get_close_matches(str(path[-1])[:MAX_SHOWN].lower(), known, n=1)
    return near[0] if near else None


def _names(path: KeyPath) -> tuple[str, ...]:
    return tuple(part for part in path if isinstance(part, str))


def allowed_at(path: KeyPath) -> str | None:
    """What the key at a path may hold, from the model's Allowed marks."""
    names = _names(path)
    for length in range(len(names), 0, -1):
        model = _MODELS.get(names[: length - 1])
        if model is not None and names[length - 1] in keys_of(model):
            return allowed_text(model, names[length - 1])
    return None


def allowed_text(model: type[BaseModel], key: str) -> str | None:
    """What a key of a model may hold; from its type where it has no Allowed mark."""
    field = keys_of(model)[key]
    for mark in field.metadata:
        if isinstance(mark, Allowed):
            return mark.text
    if field.annotation is float:
        return "a number above 0"
    if field.annotation is int:
        return "a whole number of 1 and up"
    return None


def key_text(path: KeyPath, raw: Mapping[str, Any]) -> str:
    """A path as people count: link[2].down_mbps, with the name of the link or label where it has one."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            plain = part.replace("_", "").replace("-", "").isalnum() and len(part) <= MAX_SHOWN
            part = part if plain else shown(part)
            text += f".{part}" if text else part
    name = _name_of(path, raw)
    return f"{text} ({name})" if name else text


def link_key(profile: Profile, number: int, key: str) -> str:
    """A key of a link (by position) as key_text() writes it."""
    return key_text(("link", number, key), {"link": [{"name": link.name} for link in profile.link]})


def _name_of(path: KeyPath, raw: Mapping[str, Any]) -> str | None:
    if len(path) < 2 or path[0] not in ("link", "label", "application") or not isinstance(path[1], int):
        return None
    tables = raw.get(str(path[0]))
    table = tables[path[1]] if isinstance(tables, list) and path[1] < len(tables) else None
    name = table.get("name") if isinstance(table, Mapping) else None
    return f"{path[0]} {shown(name)}" if isinstance(name, str) and name.strip() else None
