"""The states of all sites, as the board has them."""

from __future__ import annotations

from typing import Final

import msgspec
from starlette.responses import Response

from flowdiag.desk.api.operation import AS, JSON, Given, Operation
from flowdiag.desk.api.schemas import reference
from flowdiag.desk.asked import Asked
from flowdiag.desk.people import STAFF
from flowdiag.text.wording.desk import api as wording

SCHEMA: Final = "flowdiag.states/1"


async def states(asked: Asked, given: Given) -> Response:
    board = asked.desk.board
    content = {
        "schema": SCHEMA,
        "sites": [
            {
                "site": site.key,
                "name": site.name,
                "client": site.client,
                "states": known.said("now"),
                "states_of_day": known.said("day"),
                "fault": known.fault,
                "looked_ms": known.looked_ms,
                "now": known.now,
                "day": known.day,
            }
            for site, known in ((site, board.of(site)) for site in asked.sites())
        ],
    }
    return STATES.response(given[AS], msgspec.json.encode(content))


STATES: Final = Operation(
    "states", "/api/states", wording.STATES, states, STAFF, {"json": (JSON, reference("States"))}
)
OPERATIONS: Final = (STATES,)
