"""Signing in."""

from __future__ import annotations

from typing import Final

SIGN_IN: Final = "Sign in"
BY_LINK: Final = "This desk printed a link when it was started. Open that link; it works once."
LINK_USED: Final = (
    "this link was used already, or is not one of this desk's; start the desk again for a new one"
)
