"""Waiting for an answer: at once where it is quick, else a page that says how far it is and from which one can leave."""

from __future__ import annotations

from typing import Any, Final

from starlette.responses import JSONResponse, Response

from flowdiag.desk.asked import Asked, Refused
from flowdiag.desk.asking.question import Question
from flowdiag.desk.asking.workers import GivenUp
from flowdiag.desk.pages.front import EVERYBODY
from flowdiag.desk.rendering import page
from flowdiag.desk.routing import Page
from flowdiag.text.wording.desk import ask as wording

PATIENCE_S: Final = 1.0  # so long nobody needs to be told how far it is


async def answer_or_wait(asked: Asked, question: Question, title: str) -> Any:
    """The answer, or the page that waits for it and then shows what its own address shows. Raises FlowdiagError."""
    answers = asked.desk.answers
    work = answers.begin(question, asked.waiter)
    try:
        return await answers.wait(work, PATIENCE_S)
    except TimeoutError:
        return page(
            asked, "waiting.html", status=202, wording=wording, title=title, key=work.key, part=work.part
        )
    except GivenUp:
        raise Refused(409, wording.LEFT) from None


async def progress(asked: Asked) -> Response:
    """How far an answer is, or that nobody works on it any more: the answer is there, or was given up."""
    work = asked.desk.answers.running(asked.request.path_params["key"])
    if work is None or asked.waiter not in work.waiting:
        return JSONResponse({"over": True})
    return JSONResponse({"over": False, "part": work.part, "words": wording.progress(work.part)})


async def leave(asked: Asked) -> Response:
    asked.desk.answers.leave(asked.request.path_params["key"], asked.waiter)
    if asked.field("back"):
        return asked.to("/")
    return Response(status_code=204)


PAGES: Final = (
    Page("/answers/{key}", progress, roles=EVERYBODY),
    Page("/answers/{key}/leave", leave, roles=EVERYBODY, methods=("POST",)),
)
