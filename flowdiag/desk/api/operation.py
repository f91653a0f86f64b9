"""An operation of the API: what it is asked with and what it gives, by which requests are read and the description is drawn."""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable, Mapping
from datetime import datetime
from typing import Any, Final

from msgspec import Struct
from starlette.responses import JSONResponse, Response

from flowdiag.desk.asked import Asked, Refused
from flowdiag.desk.asking.question import Question
from flowdiag.desk.asking.workers import GivenUp
from flowdiag.desk.pages.waiting import PATIENCE_S
from flowdiag.desk.people import Role
from flowdiag.desk.routing import Page
from flowdiag.errors import UsageError
from flowdiag.text.wording.desk import api as wording
from flowdiag.text.wording.desk import ask

Schema = Mapping[str, Any]
Given = dict[str, Any]
JSON: Final = "application/json"
AS: Final = "as"
_INTEGER: Final = re.compile(r"-?\d{1,9}")
FIRST_YEAR: Final = 1971  # what comes before is no time of a flow, in any zone


class Parameter(Struct, frozen=True):
    """Of a query, or of the path where it is in braces there. schema: JSON Schema of a string or integer, by which it is
    read."""

    name: str
    about: str
    schema: Schema
    is_required: bool = False

    def read(self, text: str) -> Any:
        """Raises UsageError for what the schema does not allow."""
        schema = self.schema
        if schema["type"] == "integer":
            if not _INTEGER.fullmatch(text) or not schema["minimum"] <= int(text) <= schema["maximum"]:
                raise UsageError(
                    wording.no_number(self.name),
                    expected=f"{schema['minimum']} to {schema['maximum']}",
                )
            return int(text)
        if "enum" in schema and text not in schema["enum"]:
            raise UsageError(wording.none_of_its_values(self.name), expected=" or ".join(schema["enum"]))
        if not schema.get("minLength", 0) <= len(text) <= schema.get("maxLength", len(text)):
            raise UsageError(
                wording.wrong_length(self.name), expected=f"at most {schema.get('maxLength')} characters"
            )
        if "pattern" in schema and not re.search(schema["pattern"], text):
            raise UsageError(wording.not_as_written(self.name), expected=self.about)
        if schema.get("format") == "date-time":
            return _moment(self.name, text)
        return text


def _moment(name: str, text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None or not FIRST_YEAR <= moment.year < 9999:
        raise UsageError(
            wording.no_moment(name),
            expected="ISO 8601 (RFC 3339) such as 2026-03-02T14:00:00+13:00",
        )
    return moment


class Operation(Struct, frozen=True):
    """id: of the description; about: one line; forms: media type and schema of each form that it gives, JSON first; is_long:
    the answer may take its time (202); method: POST for what changes something. Path, roles: as Page has them."""

    id: str
    path: str
    about: str
    handler: Callable[[Asked, Given], Awaitable[Response]]
    roles: frozenset[Role] | None
    forms: Mapping[str, tuple[str, Schema]]
    parameters: tuple[Parameter, ...] = ()
    is_long: bool = False
    method: str = "GET"

    @property
    def page(self) -> Page:
        return Page(self.path, self._answer, roles=self.roles, methods=(self.method,), api=True)

    async def _answer(self, asked: Asked) -> Response:
        return await self.handler(asked, self._given(asked))

    def _given(self, asked: Asked) -> Given:
        """What the query says. Raises UsageError for what it may not; Refused for a path that leads nowhere."""
        query = asked.request.query_params
        known = {one.name: one for one in self.parameters if f"{{{one.name}}}" not in self.path}
        for name in query:
            if name not in known:
                raise UsageError(wording.unknown(repr(name[:40])), expected=" or ".join(known) or "no query")
            if len(query.getlist(name)) > 1:
                raise UsageError(wording.twice(name))
        given = {name: one.read(query[name]) for name, one in known.items() if name in query}
        missing = [name for name, one in known.items() if one.is_required and name not in given]
        if missing:
            raise UsageError(wording.missing(missing))
        for one in self.parameters:
            if one.name not in known:
                try:
                    given[one.name] = one.read(asked.request.path_params[one.name])
                except UsageError:
                    raise Refused(404, wording.NOTHING_THERE) from None
        given.setdefault(AS, self._accepted(asked))
        return given

    def _accepted(self, asked: Asked) -> str:
        """The form that the Accept header names first; JSON if it names none."""
        for part in asked.request.headers.get("accept", "").split(","):
            wanted = part.partition(";")[0].strip().lower()
            for form, (media, _) in self.forms.items():
                if media.partition(";")[0] == wanted:
                    return form
        return next(iter(self.forms))

    def response(self, form: str, content: str | bytes, headers: Mapping[str, str] | None = None) -> Response:
        return Response(content, media_type=self.forms[form][0], headers=dict(headers or {}))


def as_parameter(*forms: str) -> Parameter:
    return Parameter(AS, wording.AS, {"type": "string", "enum": list(forms)})


async def answer_or_later(asked: Asked, question: Question) -> Any:
    """The answer, or 202 with the address where it will be. Raises FlowdiagError."""
    answers = asked.desk.answers
    work = answers.begin(question, asked.waiter)
    try:
        return await answers.wait(work, PATIENCE_S)
    except TimeoutError:
        url = asked.request.url
        headers = {"Location": f"{url.path}?{url.query}" if url.query else url.path, "Retry-After": "1"}
        return JSONResponse({"state": "working", "part": work.part}, 202, headers)
    except GivenUp:
        raise Refused(409, ask.LEFT) from None
