"""What asymmetric-path says of answers that come back by another link: (summary, client), and what to do."""

from __future__ import annotations

from typing import Final

from flowdiag.text.action import Action
from flowdiag.text.asked import Asked
from flowdiag.text.figures import percent
from flowdiag.text.sentences.backup import Said
from flowdiag.text.sentences.times import clocks

ROUTES: Final = (
    Action(
        "engineer", "Make answers come back by the line that their requests left by: see the routes and policies of both."
    ),
    Action("helpdesk", "Ask whether single services fail or stall while others work."),
)  # fmt: skip


def asymmetric_path(
    case: Asked, start_ms: int, end_ms: int, conversations: int, out: str, back: str, share: float
) -> Said:
    """out, back: the links; share: of the traffic of that time."""
    begin, stop = clocks(case, start_ms, end_ms)
    return (
        f'From {begin} to {stop} the answers to {conversations:,} conversations that left by "{out}" came back by '
        f'"{back}": {percent(share)} of the traffic of that time.',
        f"From {begin} to {stop} answers from the Internet came back over another of your lines than the one that the "
        "requests had left by. Some services do not work that way, however fast both lines are.",
    )
