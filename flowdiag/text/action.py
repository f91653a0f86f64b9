"""A next step, as a sentence with whom it is for."""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

Audience = Literal["client", "helpdesk", "field engineer", "engineer", "security contact", "account manager"]


class Action(Struct, frozen=True):
    """One next step and who takes it."""

    who: Audience
    text: str
