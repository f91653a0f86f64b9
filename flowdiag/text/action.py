"""A next step, as a sentence with whom it is for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Audience = Literal["client", "helpdesk", "field engineer", "engineer", "security contact", "account manager"]


@dataclass(frozen=True)
class Action:
    """One next step and who takes it."""

    who: Audience
    text: str
