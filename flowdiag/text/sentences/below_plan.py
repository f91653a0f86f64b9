"""What below-plan says of a line that gives less than its plan: (summary, client)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from flowdiag.text.asked import Asked
from flowdiag.text.figures import count, percent, plan_rate, rate
from flowdiag.text.sentences.backup import Said
from flowdiag.text.sentences.devices import LARGE, ONE_DEVICE, device, named_device
from flowdiag.text.sentences.links import called, whose_line
from flowdiag.text.sentences.load import MOSTLY_ONE, WAYS, in_spells, stands_for_many
from flowdiag.text.sentences.times import spells, zoned_span


def below_plan(
    case: Asked, link: int, direction: int, parts: Sequence[tuple[int, int]], evidence: Mapping[str, Any]
) -> Said:
    way, plan = WAYS[direction], case.profile.link[link]
    start, end = parts[0][0], parts[-1][1]
    rated = "typical rate" if plan.variable else "plan"
    share = percent(evidence["share_of_plan"])
    moving = evidence["moved_together"] is not None
    shown = "what they got rose and fell together" if moving else "when one took more, the others got less"
    summary = (
        f"The {way} of {called(plan.name)} stopped at {'about ' if moving else ''}{rate(evidence['ceiling_mbps'])} "
        f"{zoned_span(case, start, end)}{in_spells(parts)}, {share} of the {rated} of "
        f"{plan_rate(evidence['capacity_mbps'])}, while {count(evidence['hosts_active'], 'device')} shared it: {shown}."
    )
    return summary, below_plan_client(case, link, direction, parts, evidence)


def below_plan_client(
    case: Asked, link: int, direction: int, parts: Sequence[tuple[int, int]], evidence: Mapping[str, Any]
) -> str:
    share = percent(evidence["share_of_plan"])
    gave = f"Your {whose_line(case, link)}'s {WAYS[direction]} gave only about {share} of"
    whose = _whose(case, evidence.get("hosts") or ())
    if case.profile.link[link].variable:
        return (
            f"{gave} its typical rate {spells(case, parts)}; "
            f"this kind of line varies, but so little makes everything slow.{whose}"
        )
    return (
        f"{gave} the plan's rate {spells(case, parts)}, although more was wanted; "
        f"the line, its setting or the rate on record has to be checked.{whose}"
    )


def _whose(case: Asked, hosts: Sequence[Mapping[str, Any]]) -> str:
    """Whose traffic met the ceiling, where one device had most of it or one with a name of its own a large part."""
    name = named_device(case, hosts)
    if name is None and hosts and hosts[0]["share"] >= MOSTLY_ONE and not stands_for_many(hosts[0]):
        name = ONE_DEVICE
    if name is not None:
        return f" Most of the traffic then was of {name}."
    large = (device(case, host) for host in hosts if host["share"] >= LARGE)
    told = next((name for name in large if name != ONE_DEVICE), None)
    return f" Part of the traffic then was of {told}." if told else ""
