"""Sites, and words of time by a site's clock."""

from __future__ import annotations

from typing import Any, Final

from starlette.responses import JSONResponse, Response

from flowdiag.desk.api.operation import JSON, Given, Operation, Parameter
from flowdiag.desk.api.schemas import reference
from flowdiag.desk.asked import Asked
from flowdiag.desk.asked_times import typed_times
from flowdiag.desk.pages.front import ASKERS, EVERYBODY
from flowdiag.site.catalogue import KnownSite
from flowdiag.site.span_words import MAX_LENGTH
from flowdiag.text.wording.desk import api as wording

MOST: Final = 1000
USUAL: Final = 100
SITE: Final = Parameter("site", wording.SITE_KEY, {"type": "string", "minLength": 1}, is_required=True)


async def listed(asked: Asked, given: Given) -> Response:
    found = asked.desk.catalogue.find(given.get("find", ""), asked.sites())
    offset = given.get("offset", 0)
    until = offset + given.get("limit", USUAL)
    sites = [_site(site) for site in found[offset:until]]
    return JSONResponse({"sites": sites, "more": len(found) > until})


async def one(asked: Asked, given: Given) -> Response:
    return JSONResponse(_site(asked.the_site))


def _site(site: KnownSite) -> dict[str, Any]:
    return {
        "key": site.key,
        "name": site.name,
        "client": site.client,
        "client_key": site.client_key,
        "timezone": site.timezone,
        "links": [
            {
                "name": link.name,
                "role": link.role,
                "down_mbps": link.given_down_mbps,
                "up_mbps": link.given_up_mbps,
            }
            for link in site.profile.link
        ],
        "page": f"/sites/{site.key}",
    }


async def times(asked: Asked, given: Given) -> Response:
    found = await typed_times(asked, given["when"])
    return JSONResponse({"from": found.window_from, "to": found.window_to, "remark": found.remark})


OPERATIONS: Final = (
    Operation(
        "sites",
        "/api/sites",
        wording.SITES,
        listed,
        EVERYBODY,
        {"json": (JSON, reference("Sites"))},
        (
            Parameter("find", wording.FIND, {"type": "string", "maxLength": 100}),
            Parameter("limit", wording.LIMIT, {"type": "integer", "minimum": 1, "maximum": MOST}),
            Parameter("offset", wording.OFFSET, {"type": "integer", "minimum": 0, "maximum": 1_000_000}),
        ),
    ),
    Operation("site", "/api/sites/{site}", wording.SITE, one, EVERYBODY, {"json": (JSON, reference("Site"))}, (SITE,)),
    Operation(
        "times",
        "/api/sites/{site}/times",
        wording.TIMES,
        times,
        ASKERS,
        {"json": (JSON, reference("Times"))},
        (
            SITE,
            Parameter(
                "when",
                wording.WHEN,
                {"type": "string", "minLength": 1, "maxLength": MAX_LENGTH},
                is_required=True,
            ),
        ),
    ),
)  # fmt: skip
