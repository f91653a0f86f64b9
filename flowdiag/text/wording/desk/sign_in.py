"""Signing in."""

from __future__ import annotations

from typing import Final

from flowdiag.text.figures import count

SIGN_IN: Final = "Sign in"
BY_LINK: Final = (
    "This desk printed a link in the terminal that it was started in, and prints another when somebody signs out. "
    "Open the newest; it works once. Whoever starts the desk again gets a new one, too."
)
LINK_USED: Final = (
    "this link was used already, or is not one of this desk's; start the desk again for a new one"
)
BY_PASSWORD: Final = "Sign in by an account of this desk"
NAME: Final = "Name"
PASSWORD: Final = "Password"
WRONG: Final = "This name and password do not belong together."
NOT_LISTED: Final = "you are known to the provider, but this desk has no role for you; ask whoever runs it"


def by_provider(title: str) -> str:
    return f"Sign in by {title}"


def wait(seconds: int) -> str:
    """After tries that failed. seconds: until the next one."""
    return f"There were tries that failed; the next one is possible in {count(seconds, 'second')}."
