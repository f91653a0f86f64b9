"""Usage and rankings of a span, as `flowdiag usage` and `flowdiag top` write them."""

from __future__ import annotations

from typing import Final

from starlette.responses import Response

from flowdiag.desk.api.notes import SPAN, span_of
from flowdiag.desk.api.operation import AS, JSON, Given, Operation, Parameter, answer_or_later, as_parameter
from flowdiag.desk.api.schemas import reference
from flowdiag.desk.api.sites import SITE
from flowdiag.desk.asked import Asked
from flowdiag.desk.asking.forms_question import Figures, TopFormsQuestion, UsageFormsQuestion
from flowdiag.desk.people import Role
from flowdiag.text.wording.desk import api as wording

WHO: Final[frozenset[Role]] = frozenset({"helpdesk", "engineer"})
KINDS: Final = ("talkers", "applications", "destinations", "conversations")
MEASURES: Final = ("octets", "packets", "flows")
CSV: Final = ("text/csv; charset=utf-8", {"type": "string"})
LONGEST_STEP_S: Final = 31 * 86_400
OF_A_LINK: Final = (
    Parameter("link", wording.LINK, {"type": "string", "minLength": 1, "maxLength": 200}),
    Parameter("direction", wording.DIRECTION, {"type": "string", "enum": ["down", "up"]}),
    as_parameter("json", "csv"),
)


async def usage(asked: Asked, given: Given) -> Response:
    begin, end = span_of(given)
    question = UsageFormsQuestion(
        **asked.span(begin, end),
        link=given.get("link"),
        direction=given.get("direction"),
        step_s=given.get("step_s"),
    )
    found: Figures | Response = await answer_or_later(asked, question)
    return found if isinstance(found, Response) else USAGE.response(given[AS], getattr(found, given[AS]))


async def ranking(asked: Asked, given: Given) -> Response:
    begin, end = span_of(given)
    question = TopFormsQuestion(
        **asked.span(begin, end),
        link=given.get("link"),
        direction=given.get("direction"),
        kind=given["kind"],
        by=given.get("by", "octets"),
        limit=given.get("limit", 20),
    )
    found: Figures | Response = await answer_or_later(asked, question)
    return found if isinstance(found, Response) else RANKING.response(given[AS], getattr(found, given[AS]))


USAGE: Final = Operation(
    "usage",
    "/api/sites/{site}/usage",
    wording.USAGE,
    usage,
    WHO,
    {"json": (JSON, reference("Usage")), "csv": CSV},
    (
        SITE,
        *SPAN,
        Parameter("step_s", wording.STEP, {"type": "integer", "minimum": 1, "maximum": LONGEST_STEP_S}),
        *OF_A_LINK,
    ),
    is_long=True,
)
RANKING: Final = Operation(
    "ranking",
    "/api/sites/{site}/rankings/{kind}",
    wording.RANKING,
    ranking,
    WHO,
    {"json": (JSON, reference("Ranking")), "csv": CSV},
    (
        SITE,
        Parameter("kind", wording.KIND, {"type": "string", "enum": list(KINDS)}),
        *SPAN,
        Parameter("by", wording.BY, {"type": "string", "enum": list(MEASURES)}),
        Parameter("limit", wording.LIMIT, {"type": "integer", "minimum": 1, "maximum": 1000}),
        *OF_A_LINK,
    ),
    is_long=True,
)
OPERATIONS: Final = (USAGE, RANKING)
