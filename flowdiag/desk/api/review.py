"""The account review."""

from __future__ import annotations

from typing import Final

from starlette.responses import Response

from flowdiag.desk.api.figures import CSV
from flowdiag.desk.api.operation import AS, JSON, Given, Operation, Parameter, answer_or_later, as_parameter
from flowdiag.desk.api.schemas import reference
from flowdiag.desk.asked import Asked, Refused
from flowdiag.desk.asking.review_question import ReviewAnswer
from flowdiag.desk.pages.accounts import MONTH, REVIEWERS, question
from flowdiag.text.wording.desk import accounts
from flowdiag.text.wording.desk import api as wording


async def review(asked: Asked, given: Given) -> Response:
    wanted = question(asked, given.get("month"), given.get("client"))
    if not wanted.sites:
        raise Refused(404, accounts.NO_SITES)
    found: ReviewAnswer | Response = await answer_or_later(asked, wanted)
    return found if isinstance(found, Response) else REVIEW.response(given[AS], getattr(found, given[AS]))


REVIEW: Final = Operation(
    "review",
    "/api/review",
    wording.REVIEW,
    review,
    REVIEWERS,
    {"json": (JSON, reference("Review")), "csv": CSV},
    (
        Parameter("month", wording.MONTH, {"type": "string", "pattern": f"^(?:{MONTH})$"}),
        Parameter("client", wording.CLIENT, {"type": "string", "minLength": 1, "maxLength": 300}),
        as_parameter("json", "csv"),
    ),
    is_long=True,
)
OPERATIONS: Final = (REVIEW,)
