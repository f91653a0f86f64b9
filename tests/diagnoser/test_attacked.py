"""What an attack explains is not the client's to mend."""

from __future__ import annotations

from msgspec.structs import replace

from flowdiag.diagnoser.attacked import left_to_security
from flowdiag.diagnoser.finding import Finding
from flowdiag.text.action import Action
from flowdiag.text.sentences.beyond import LEFT_TO_SECURITY

ADVICE = (Action("client", "Pause the large transfer."),)
HOSTS = [{"address": "192.0.2.7", "label": None, "share": 1.0}]
FLOOD = Finding(
    "inbound-flood", "critical", "high", "", "", link="fibre", direction="down", start_ms=100, end_ms=200,
    evidence={"fills_link": True, "hosts": HOSTS}, actions=ADVICE,
)  # fmt: skip
FULL = replace(FLOOD, code="link-full", start_ms=120, end_ms=180, evidence={"hosts": HOSTS})


def advice(*findings: Finding) -> list[bool]:
    """Whether each finding keeps its advice."""
    return [finding.actions == ADVICE for finding in left_to_security(findings)]


def test_a_link_that_a_flood_fills_is_left_to_security() -> None:
    assert advice(FLOOD, FULL) == [True, False]
    assert left_to_security([FLOOD, FULL])[1] == replace(FULL, actions=LEFT_TO_SECURITY)


def test_other_links_directions_and_times_keep_their_advice() -> None:
    for other in (
        replace(FULL, link="lte"),
        replace(FULL, direction="up"),
        replace(FULL, start_ms=200, end_ms=300),
    ):
        assert advice(FLOOD, other) == [True, True]


def test_an_attack_that_does_not_fill_the_link_explains_no_load() -> None:
    assert advice(replace(FLOOD, evidence={"fills_link": False, "hosts": HOSTS}), FULL) == [True, True]


def test_the_attacked_host_is_not_asked_about() -> None:
    single = replace(FULL, code="single-host", link=None, direction=None)
    elsewhere = replace(single, evidence={"hosts": [{"address": "192.0.2.8", "label": None, "share": 1.0}]})
    assert advice(FLOOD, single, elsewhere) == [True, False, True]


def test_without_an_attack_nothing_changes() -> None:
    assert left_to_security([FULL]) == [FULL]
