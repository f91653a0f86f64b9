"""The OpenAPI 3.1 description, drawn from the table of operations."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import flowdiag
from flowdiag.desk.access.sessions import COOKIE
from flowdiag.desk.api import schemas
from flowdiag.desk.api.operation import JSON, Operation, Parameter
from flowdiag.desk.problem import MEDIA_TYPE
from flowdiag.text.wording.desk import api as wording


def description(operations: Iterable[Operation]) -> dict[str, Any]:
    return {
        "openapi": "3.1.0",
        "info": {"title": wording.TITLE, "version": flowdiag.__version__, "description": wording.ABOUT},
        "servers": [{"url": "/"}],
        "security": [{"token": []}, {"session": []}],
        "paths": {
            operation.path: {operation.method.lower(): _operation(operation)} for operation in operations
        },
        "components": {
            "schemas": schemas.components(),
            "securitySchemes": {
                "token": {"type": "http", "scheme": "bearer"},
                "session": {"type": "apiKey", "in": "cookie", "name": COOKIE},
            },
        },
    }


def _operation(operation: Operation) -> dict[str, Any]:
    found: dict[str, Any] = {
        "operationId": operation.id,
        "summary": operation.about,
        "parameters": [_parameter(one, operation) for one in operation.parameters],
        "responses": _responses(operation),
    }
    if operation.roles is None:
        found["security"] = []
    else:
        found["description"] = wording.for_roles(sorted(operation.roles))
    return found


def _parameter(one: Parameter, operation: Operation) -> dict[str, Any]:
    in_path = f"{{{one.name}}}" in operation.path
    return {
        "name": one.name,
        "in": "path" if in_path else "query",
        "required": in_path or one.is_required,
        "description": one.about,
        "schema": dict(one.schema),
    }


def _responses(operation: Operation) -> dict[str, Any]:
    found: dict[str, Any] = {
        "200": {
            "description": wording.ANSWER,
            "content": {media: {"schema": dict(schema)} for media, schema in operation.forms.values()},
        }
    }
    if operation.is_long:
        found["202"] = {
            "description": wording.LATER,
            "headers": {
                "Location": {"schema": {"type": "string"}},
                "Retry-After": {"schema": {"type": "integer"}},
            },
            "content": {JSON: {"schema": schemas.reference("Working")}},
        }
    for status, words in _refusals(operation):
        found[status] = {
            "description": words,
            "content": {MEDIA_TYPE: {"schema": schemas.reference("Problem")}},
        }
    return found


def _refusals(operation: Operation) -> list[tuple[str, str]]:
    found = [("400", wording.WRONG)]
    if operation.roles is not None:
        found += [("401", wording.SIGN_IN), ("403", wording.NOT_ALLOWED)]
    if "{" in operation.path or operation.id == "review":
        found.append(("404", wording.NOT_FOUND))
    if operation.is_long:
        found.append(("409", wording.GIVEN_UP))
    return [*found, ("503", wording.BUSY)]
