"""The JSON Schema (2020-12) of a finding's evidence, made from the fields of its `Evidence`."""

from __future__ import annotations

from dataclasses import fields
from types import UnionType
from typing import Annotated, Any, Final, NotRequired, get_args, get_origin, get_type_hints, is_typeddict

from flowdiag.diagnoser.evidence import ABSENT, Evidence, keys_of

_SIMPLE: Final = {str: "string", bool: "boolean", int: "integer", float: "number", type(None): "null"}


def evidence_schema(evidence: type[Evidence]) -> dict[str, Any]:
    """An object with the keys that are always there, and what each means. Raises TypeError for a type JSON has none of."""
    hints, keys = get_type_hints(evidence, include_extras=True), keys_of(evidence)
    required = [field.name for field in fields(evidence) if field.default is not ABSENT]
    properties = {name: {**_schema(hints[name]), "description": key.means} for name, key in keys.items()}
    return {"type": "object", **({"required": required} if required else {}), "properties": properties}


def _schema(of: Any) -> dict[str, Any]:
    if get_origin(of) in (Annotated, NotRequired):
        return _schema(get_args(of)[0])
    if of in _SIMPLE:
        return {"type": _SIMPLE[of]}
    if isinstance(of, UnionType):
        return {"type": [_schema(part)["type"] for part in get_args(of)]}
    if get_origin(of) is list:
        return {"type": "array", "items": _schema(get_args(of)[0])}
    if is_typeddict(of):
        hints = get_type_hints(of, include_extras=True)
        return {
            "type": "object",
            "required": [name for name, part in hints.items() if get_origin(part) is not NotRequired],
            "properties": {name: _schema(part) for name, part in hints.items()},
        }
    raise TypeError(f"{of!r} has no place in the evidence")


def kind_of_value(schema: dict[str, Any]) -> str:
    """What a value is, in a word or three: "number", "string or null", "list of objects"."""
    if schema["type"] == "array":
        return f"list of {kind_of_value(schema['items'])}s"
    kinds = schema["type"]
    return kinds if isinstance(kinds, str) else " or ".join(kinds)
