"""The JSON note keeps its promise: keys, nesting, units, and the schema that ships with it."""

import copy
import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from flowdiag.note.compose import compose
from flowdiag.note.json_note import SCHEMA_FILE, as_dict, render
from flowdiag.note.pseudonyms import Pseudonyms
from tests.note.building import full_upload
from tests.note.situations import SITUATIONS, hostile, leak_in_an_audit, nothing_read

SCHEMA: dict[str, Any] = json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))
# Of the findings of tests, which are made up, only some figures are written down; those of scenarios have all (judge.py).
PARTLY = copy.deepcopy(SCHEMA)
for _name, _part in PARTLY["$defs"].items():
    if _name.startswith("evidence-of-"):
        _part.pop("required", None)
VALIDATOR = Draft202012Validator(PARTLY)


def note_of(name: str) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(render(compose(SITUATIONS[name](), ticket="T-1042")))
    return loaded


@pytest.mark.parametrize("name", SITUATIONS)
def test_every_note_is_valid_by_its_schema(name: str) -> None:
    VALIDATOR.validate(note_of(name))


def test_the_schema_itself_is_one() -> None:
    Draft202012Validator.check_schema(SCHEMA)


def test_the_documentation_has_the_same_schema() -> None:
    docs = Path(__file__).parents[2] / "docs" / "note.schema.json"
    assert docs.read_text(encoding="utf-8") == SCHEMA_FILE.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "damage",
    [
        lambda note: note.pop("coverage"),
        lambda note: note.update(schema="flowdiag.note/2"),
        lambda note: note["verdict"].update(code="printer-broken"),
        lambda note: note["talkers"][0].update(share=1.5),
        lambda note: note["links"][0]["up"].update(peak_mbps=-1),
        lambda note: note["window"].update({"from": "14:00"}),
        lambda note: note["findings"][0].update(severity="bad"),
        lambda note: note["findings"][0]["evidence"]["hosts"][0].pop("address"),
    ],
)
def test_the_schema_refuses_what_is_wrong(damage: Any) -> None:
    note = note_of("full-upload")
    damage(note)
    assert not VALIDATOR.is_valid(note)


def test_further_keys_are_allowed() -> None:
    note = note_of("full-upload")
    note["later"] = note["links"][0]["later"] = 1
    VALIDATOR.validate(note)


def test_the_head_and_the_verdict() -> None:
    note = note_of("full-upload")
    assert {key: note[key] for key in ("schema", "ticket", "site", "reported", "window")} == {
        "schema": "flowdiag.note/1",
        "ticket": "T-1042",
        "site": "Harbour Lane Clinic",
        "reported": "video calls freeze",
        "window": {"from": "2026-03-03T14:10:00+13:00", "to": "2026-03-03T14:50:00+13:00"},
    }
    assert note["verdict"]["code"] == "link-full"
    assert note["verdict"]["confidence"] == "high"
    assert note["verdict"]["sentence"].startswith("Your main line's upload was full from 14:16 to 14:53")


def test_a_finding_has_its_own_times_and_carries_its_evidence() -> None:
    finding = note_of("full-upload")["findings"][0]
    assert (finding["code"], finding["severity"], finding["link"], finding["direction"]) == (
        *("link-full", "critical", "fibre", "up"),
    )
    assert (finding["from"], finding["to"]) == ("2026-03-03T14:16:00+13:00", "2026-03-03T14:53:00+13:00")
    assert finding["evidence"]["full_minutes"] == 37
    assert finding["evidence"]["hosts"][0] == {
        "address": "192.168.40.20",
        "label": "imaging archive",
        "share": 0.9746,
    }
    assert finding["actions"][0] == "Client: Pause the large transfer, or run it outside working hours."


def test_link_figures_are_mbit_and_octets() -> None:
    # Window: 40 minutes, of which 34 carry 19.7 Mbit/s up and 6 carry 0.5; IP octets = rate x time / 8.
    link = note_of("full-upload")["links"][0]
    assert (link["name"], link["role"]) == ("fibre", "primary")
    assert link["up"] == {
        "capacity_mbps": 20,
        "mean_mbps": pytest.approx((34 * 19.7 + 6 * 0.5) / 40),
        "p95_mbps": 19.7,
        "peak_mbps": 19.7,
        "peak_window_s": 60,
        "bytes": round((34 * 19.7 + 6 * 0.5) * 60 * 1e6 / 8),
        "busy_minutes": 34,
        "full_minutes": 34,
    }


def test_rankings_have_the_keys_of_their_kind() -> None:
    note = note_of("full-upload")
    assert note["talkers"][0]["address"] == "192.168.40.20"
    assert note["talkers"][0]["label"] == "imaging archive"
    assert note["applications"][0]["application"] == "https"
    assert note["destinations"][0]["address"] == "203.0.113.9"
    assert sum(row["share"] for row in note["talkers"]) == pytest.approx(1.0, abs=0.001)


def test_what_is_not_known_is_null() -> None:
    note = json.loads(render(compose(nothing_read())))
    assert note["ticket"] is None
    assert (note["coverage"]["first"], note["coverage"]["last"]) == (None, None)
    assert json.loads(render(compose(leak_in_an_audit())))["reported"] is None


def test_keys_come_in_the_same_order_each_time() -> None:
    first, again = (render(compose(full_upload(), ticket="T")) for _ in range(2))
    assert first == again
    assert list(as_dict(compose(full_upload())))[:3] == ["schema", "ticket", "site"]


def test_hostile_text_stays_text() -> None:
    written = render(compose(hostile(), ticket="\x1b[2J"))
    assert not [c for c in written if not c.isprintable() and c != "\n"]
    VALIDATOR.validate(json.loads(written))


def test_pseudonyms_are_declared() -> None:
    assert note_of("full-upload")["pseudonyms"] is False
    hidden = json.loads(render(compose(full_upload(), pseudonyms=Pseudonyms(bytes(32)))))
    assert hidden["pseudonyms"] is True
    VALIDATOR.validate(hidden)
