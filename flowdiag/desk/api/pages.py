"""The table of all operations, as pages, with the description of them."""

from __future__ import annotations

from functools import cache
from typing import Any, Final

from starlette.responses import JSONResponse, Response

from flowdiag.desk.api import figures, notes, review, sites, states, watch
from flowdiag.desk.api.description import description
from flowdiag.desk.api.operation import JSON, Given, Operation
from flowdiag.desk.asked import Asked
from flowdiag.text.wording.desk import api as wording


async def described(asked: Asked, given: Given) -> Response:
    return JSONResponse(_description())


OPERATIONS: Final[tuple[Operation, ...]] = (
    *sites.OPERATIONS,
    *notes.OPERATIONS,
    *figures.OPERATIONS,
    *review.OPERATIONS,
    *states.OPERATIONS,
    *watch.OPERATIONS,
    Operation(
        "openapi", "/api/openapi.json", wording.OPENAPI, described, None, {"json": (JSON, {"type": "object"})}
    ),
)
PAGES: Final = tuple(operation.page for operation in OPERATIONS)


@cache
def _description() -> dict[str, Any]:
    return description(OPERATIONS)
