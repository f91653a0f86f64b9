"""Short forms of the attacks: no honest record may be missing, whatever comes beside it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Final

import pytest

from tests.attacks.bench import Terms, play
from tests.attacks.plans import ATTACKS, Attack, together

# Seconds of an attack; connections need more, since they are taken one by one.
SHORT_S: Final = 1.5
CONNECTIONS_S: Final = 2.0
# What a machine that runs other tests beside has to cope with.
HONEST: Final = 1_000
LOAD: Final = 4_000


def named(name: str, **changes: object) -> Attack:
    [attack] = (attack for attack in ATTACKS if attack.name == name)
    return replace(attack, **{"honest": HONEST, "seconds": SHORT_S} | changes)  # type: ignore[arg-type]


def several(name: str, rate: int, *names: str) -> Attack:
    return replace(together(name, *map(named, names)), rate=rate)


SHORT_FORMS: Final = (
    named("forged-sources", rate=2_000),
    several(
        "neighbours", 400, "templates-address", "options-address", "redefinitions-address", "ports", "duplicates",
        "replays", "templates-session", "domains-session",
    ),
    named("idle-connections", seconds=CONNECTIONS_S),
    several("other-connections", 0, "slow-connections", "no-ipfix", "metrics"),
    named("tls-handshakes"),
    named("mixed", rate=300),
    named("end", rate=500),
    named("load", load=LOAD),
)  # fmt: skip


@pytest.mark.parametrize("attack", SHORT_FORMS, ids=lambda attack: attack.name)
def test_no_record_of_honest_exporters_is_missing(attack: Attack, tmp_path: Path) -> None:
    outcome = play(attack, tmp_path, Terms(attack.seconds, segment="500ms", patience_s=12.0))
    faults = outcome.faults()
    assert not faults, "\n".join([*faults, outcome.told])
    assert outcome.fired > 200
    # at least as many as were sent during the attack alone
    assert min(fate.sent for fate in outcome.fates) >= attack.seconds * HONEST
