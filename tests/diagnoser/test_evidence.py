"""The evidence of a finding: figures with a meaning each, one form for JSON, pages and notes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

import pytest
from jsonschema import Draft202012Validator

from flowdiag.diagnoser.evidence import ABSENT, Evidence, Hosts, Key, Spells, keys_of
from flowdiag.diagnoser.evidence_schema import evidence_schema, kind_of_value
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.kind import Kind
from flowdiag.diagnoser.kinds import KINDS, kind_of
from flowdiag.explained import page, with_figures
from tests.note.situations import SITUATIONS
from tests.note.test_json_note import PARTLY


@dataclass(frozen=True, eq=False)
class Sample(Evidence):
    mean_mbps: Annotated[float, Key("a rate")]
    port: Annotated[int | None, Key("a port")]
    hosts: Hosts
    spells: Spells = ABSENT


def test_what_is_absent_is_no_key_and_what_is_unknown_is_null() -> None:
    some = Sample(mean_mbps=1.5, port=None, hosts=[])
    assert dict(some) == {"mean_mbps": 1.5, "port": None, "hosts": []}
    assert "spells" not in some
    assert len(some) == 3
    assert some.get("spells", "none") == "none"
    with pytest.raises(KeyError):
        some["keys"]  # a method of the class is no figure of it


def test_the_schema_says_what_each_key_holds() -> None:
    schema = evidence_schema(Sample)
    assert schema["required"] == ["mean_mbps", "port", "hosts"]
    assert schema["properties"]["port"] == {"type": ["integer", "null"], "description": "a port"}
    assert [kind_of_value(part) for part in schema["properties"].values()] == [
        "number",
        "integer or null",
        "list of objects",
        "list of objects",
    ]
    check = Draft202012Validator(schema)
    host = {"address": "192.0.2.1", "label": None, "share": 1.0}
    assert check.is_valid({"mean_mbps": 1.0, "port": None, "hosts": [host]})
    assert not check.is_valid({"mean_mbps": 1.0, "hosts": []})
    assert not check.is_valid({"mean_mbps": 1.0, "port": "80", "hosts": []})
    assert not check.is_valid({"mean_mbps": 1.0, "port": 80, "hosts": [{"address": "192.0.2.1"}]})


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.code)
def test_what_notes_list_has_a_name(kind: Kind) -> None:
    listed = {name: key for name, key in keys_of(kind.evidence).items() if key.in_notes}
    assert [name for name, key in listed.items() if not key.name] == []


def test_a_field_without_a_meaning_is_refused() -> None:
    @dataclass(frozen=True, eq=False)
    class Mute(Evidence):
        octets: int

    with pytest.raises(TypeError, match="octets says nothing"):
        keys_of(Mute)


def test_every_figure_has_a_meaning_and_its_unit() -> None:
    for kind in KINDS:
        keys = keys_of(kind.evidence)
        assert bool(keys) == (kind.find is not None), kind.code
        assert all(key.means and "  " not in key.means for key in keys.values())
        numbers = [
            name
            for name, part in evidence_schema(kind.evidence)["properties"].items()
            if "number" in part["type"]
        ]
        assert not [
            name for name in numbers if name.endswith(("bytes", "ms"))
        ]  # octets and seconds are the units here


def _invented() -> Iterator[Finding]:
    for make in SITUATIONS.values():
        yield from make().findings


def test_findings_carry_what_the_schema_of_the_note_says() -> None:
    """The schema that ships: each code has its own evidence, and a key of another kind's type is refused."""
    check = Draft202012Validator({"$ref": "#/$defs/finding", "$defs": PARTLY["$defs"]})
    seen = set()
    for finding in _invented():
        given = {
            "code": finding.code, "severity": finding.severity, "confidence": finding.confidence, "link": finding.link,
            "direction": finding.direction, "from": None, "to": None, "summary": "", "client": "",
            "evidence": dict(finding.evidence), "actions": [],
        }  # fmt: skip
        check.validate(given)
        wrong = {**given, "evidence": {**given["evidence"], "hosts": "192.0.2.1"}}
        if "hosts" in keys_of(kind_of(finding.code).evidence):
            assert not check.is_valid(wrong)
        seen.add(finding.code)
    assert len(seen) >= 5


def test_a_page_lists_the_figures() -> None:
    said = with_figures(page("flapping")).markdown()
    assert "- `longest_gap_s` (number or null): longest time without either link at a change" in said
    assert with_figures(page("not-the-link")) == page("not-the-link")
