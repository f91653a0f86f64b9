"""The JSON API: each object as the pages and commands have it, refusals as RFC 9457 says, and its description kept to."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from typing import Any, Final

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from jsonschema import Draft202012Validator
from schemathesis import GenerationMode
from schemathesis.specs.openapi import checks
from starlette.testclient import TestClient

from flowdiag.desk.api.pages import OPERATIONS
from flowdiag.desk.people import Person
from tests.desk.conftest import BASE

SITE: Final = "/api/sites/kowhai-group.harbour"
SPAN: Final = {"from": "2026-03-03T14:00:00-05:00", "to": "2026-03-03T15:00:00-05:00"}
SECONDS: Final = 30  # of asking, at most
EXAMPLES: Final = 15  # of each operation
CHECKS: Final = [
    checks.status_code_conformance,
    checks.content_type_conformance,
    checks.response_headers_conformance,
    checks.response_schema_conformance,
    checks.negative_data_rejection,
]
CLIENT: Final = Person("kowhai", frozenset({"client"}), ("kowhai-group/*",))


def later(client: TestClient, path: str, **query: Any) -> Any:
    """The answer, asked for as often as a program does."""
    for _ in range(120):
        answer = client.get(path, params=query)
        if answer.status_code != 202:
            return answer
        assert answer.json()["state"] == "working"
        assert answer.headers["location"].startswith(path)
        assert answer.headers["retry-after"] == "1"
        time.sleep(0.5)
    raise AssertionError("no answer came")


def schema_of(client: TestClient, name: str) -> Draft202012Validator:
    document = client.get("/api/openapi.json").json()
    return Draft202012Validator(
        {"$ref": f"#/components/schemas/{name}", "components": document["components"]}
    )


def test_sites_are_listed_and_found(desk_client: TestClient) -> None:
    whole = desk_client.get("/api/sites").json()
    assert [site["key"] for site in whole["sites"]] == [
        "corner",
        "kowhai-group.harbour",
        "rata-group.mill-road",
    ]
    assert whole["more"] is False
    part = desk_client.get("/api/sites", params={"limit": 1, "offset": 1}).json()
    assert ([site["name"] for site in part["sites"]], part["more"]) == (["Kowhai Harbour Depot"], True)
    assert [site["key"] for site in desk_client.get("/api/sites?find=mill").json()["sites"]] == [
        "rata-group.mill-road"
    ]
    assert desk_client.get(SITE).json() == part["sites"][0]
    schema_of(desk_client, "Sites").validate(whole)


def test_words_of_time_become_times(desk_client: TestClient) -> None:
    found = desk_client.get(f"{SITE}/times", params={"when": "3 March 2026 14:00 to 15:00"}).json()
    assert (found["from"], found["to"]) == (SPAN["from"], SPAN["to"])
    refused = desk_client.get(f"{SITE}/times", params={"when": "soonish"})
    assert refused.status_code == 400
    assert refused.headers["content-type"] == "application/problem+json"


def test_a_note_is_the_same_as_json_and_by_its_own_address(desk_client: TestClient) -> None:
    first = later(desk_client, f"{SITE}/note", **SPAN, ticket="T-7", said="slow")
    assert first.status_code == 200
    note = first.json()
    assert (note["schema"], note["ticket"], note["reported"]) == ("flowdiag.note/1", "T-7", "slow")
    schema_of(desk_client, "Note").validate(note)
    address = first.headers["content-location"]
    assert desk_client.get(address).content == first.content
    text = desk_client.get(address, headers={"Accept": "text/plain"})
    assert text.headers["content-type"] == "text/plain; charset=utf-8"
    assert text.text == desk_client.get(address, params={"as": "text"}).text
    assert "T-7" in desk_client.get(address, params={"as": "markdown"}).text


def test_a_client_gets_the_clients_part_alone(browser_of: Callable[[Person | None], TestClient]) -> None:
    client = browser_of(CLIENT)
    refused = later(client, f"{SITE}/note", **SPAN)
    assert (refused.status_code, refused.json()["status"]) == (403, 403)
    text = later(client, f"{SITE}/note", **SPAN, **{"as": "text"}).text
    assert "192.168." not in text
    assert client.get(f"{SITE}/usage", params=SPAN).status_code == 403
    assert client.get("/api/sites/rata-group.mill-road").status_code == 404
    assert [site["key"] for site in client.get("/api/sites").json()["sites"]] == ["kowhai-group.harbour"]


def test_usage_and_rankings_are_what_the_commands_write(desk_client: TestClient) -> None:
    usage = later(desk_client, f"{SITE}/usage", **SPAN, step_s=300)
    schema_of(desk_client, "Usage").validate(usage.json())
    assert {len(link["series"]) for link in usage.json()["links"]} == {12}
    for kind in ("talkers", "applications", "destinations", "conversations"):
        ranking = later(desk_client, f"{SITE}/rankings/{kind}", **SPAN, limit=3).json()
        schema_of(desk_client, "Ranking").validate(ranking)
        assert len(ranking["rows"]) <= 3
    table = later(desk_client, f"{SITE}/rankings/talkers", **SPAN, **{"as": "csv"})
    assert table.headers["content-type"].startswith("text/csv")
    assert table.text.startswith("from,to,")


def test_what_is_wrong_is_told_as_a_problem(browser_of: Callable[[Person | None], TestClient]) -> None:
    client = browser_of(Person("all", frozenset({"engineer"}), ("*",)))
    wrong: dict[str, int] = {
        f"{SITE}/note": 400,
        f"{SITE}/note?from=x&to=y": 400,
        f"{SITE}/note?from=0001-01-01T00:00:00Z&to=2026-01-01T00:00:00Z": 400,
        "/api/sites?limit=0": 400,
        "/api/sites?limit=1&limit=2": 400,
        "/api/sites?nothing=1": 400,
        "/api/sites/nowhere": 404,
        f"{SITE}/rankings/beds?from=2026-03-03T14:00:00Z&to=2026-03-03T15:00:00Z": 404,
        f"{SITE}/notes/zz": 404,
        "/api/nothing": 404,
    }
    for path, status in wrong.items():
        refused = client.get(path)
        assert (path, refused.status_code) == (path, status)
        assert refused.headers["content-type"] == "application/problem+json"
        assert refused.json()["status"] == status
        assert "\n" not in refused.json()["detail"]
    posted = client.post("/api/sites")
    assert (posted.status_code, set(posted.headers["allow"].split(", "))) == (405, {"GET", "HEAD"})
    said = {
        f"{SITE}/note?from=x&to=y": "from: the value is not a time with an offset from UTC; expected ISO 8601",
        "/api/sites?nothing=1": "'nothing': this operation has no such parameter; expected ",
        f"{SITE}/note": "from and to: these parameters are missing",
        "/api/nothing": "there is no such operation",
    }
    for path, words in said.items():
        assert client.get(path).json()["detail"].startswith(words)
    other = browser_of(Person("other", frozenset({"accounts"}), ("*",))).get(f"{SITE}/usage")
    assert (other.status_code, other.json()["detail"]) == (
        403,
        "the caller's role does not allow this operation",
    )
    nobody = browser_of(None).get("/api/sites")
    assert nobody.status_code == 401
    assert nobody.headers["www-authenticate"].startswith("Bearer ")


def test_states_are_as_described(desk_client: TestClient) -> None:
    states = desk_client.get("/api/states")
    schema_of(desk_client, "States").validate(states.json())
    assert len(states.json()["sites"]) == 3


def test_every_operation_of_the_table_is_described(desk_client: TestClient) -> None:
    document = desk_client.get("/api/openapi.json").json()
    assert set(document["paths"]) == {operation.path for operation in OPERATIONS}
    assert json.dumps(document).count('"$ref"') > 30


@pytest.mark.slow
@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda mode: mode.value)
def test_the_description_holds(desk_client: TestClient, mode: GenerationMode) -> None:
    """What the description allows is answered as it says, what it does not is refused as it says."""
    schema = schemathesis.openapi.from_dict(desk_client.get("/api/openapi.json").json())
    until = time.monotonic() + SECONDS
    asked = set()
    for found in schema.get_all_operations():
        operation = found.ok()
        if not operation.query and not operation.path_parameters and mode is GenerationMode.NEGATIVE:
            continue

        @given(operation.as_strategy(generation_mode=mode))
        @settings(
            max_examples=EXAMPLES, deadline=None, phases=[Phase.generate], database=None,
            suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        def holds(case: schemathesis.Case) -> None:
            if time.monotonic() > until:
                return
            for known in (case.path_parameters.get("site"), "kowhai-group.harbour"):
                if known is not None:
                    case.path_parameters["site"] = known
                sent = case.as_transport_kwargs(base_url=BASE)
                answer = desk_client.request(
                    sent["method"], sent["url"], params=sent.get("params"), headers=sent.get("headers")
                )
                asked.add((case.path, answer.status_code))
                case.validate_response(answer, checks=CHECKS)

        holds()
    assert "/api/sites/{site}/note" in {path for path, _ in asked}
    if mode is GenerationMode.POSITIVE:
        assert {path for path, status in asked if status == 200} > {"/api/sites", "/api/sites/{site}"}
