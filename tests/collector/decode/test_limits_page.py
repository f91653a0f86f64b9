"""The page of limits says what the decoder keeps."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from msgspec.structs import asdict

from flowdiag.collector.decode.limits import Limits

PAGE: Final = Path(__file__).parents[3] / "docs" / "explanation" / "limits.md"
# How the page calls each bound, in the order of both.
CALLED: Final = {
    "observation domains of all sessions": "domains",
    "templates of a domain": "templates",
    "octets of all template definitions": "template_octets",
    "data sets that wait for their template": "held_sets",
    "octets of data sets that wait": "held_octets",
    "octets that wait to be decoded together": "pending_octets",
    "messages remembered to know a copy": "recent_messages",
    "options records of a data set": "options_records",
    "names of interfaces and of applications": "names",
    "samplers, selectors and interfaces of a domain with a rate": "samplers",
    "those of all domains": "all_samplers",
    "octets of a name": "name_length",
    "lists within lists": "list_depth",
    "values of an options record": "record_values",
    "open gaps of a sequence": "open_gaps",
    "open gaps of all sequences": "gaps",
    "losses told one by one": "losses",
    "kinds of problems": "problems",
    "minutes in which exporters were heard": "heard_minutes",
    "flows whose running totals are remembered": "running_totals",
    "differences of clocks kept of a domain": "clock_samples",
    "names of elements that exporters teach": "taught_elements",
}


def test_the_page_has_every_bound_with_its_figure() -> None:
    _, _, section = PAGE.read_text(encoding="utf-8").partition("make the program keep\n")
    rows = [line.strip("|").split("|") for line in section.splitlines() if line.startswith("| ")][1:]
    told = {CALLED[what.strip()]: int(bound.replace(",", "")) for what, bound in rows}
    assert told == asdict(Limits())
