"""What `flowdiag demo` says when it is done."""

from __future__ import annotations

from collections.abc import Sequence


def next_steps(place: str, commands: Sequence[str]) -> str:
    """place: where the files are; commands: what to type next."""
    return "\n".join(["", f"The files are in {place}. Try next:", *(f"  {command}" for command in commands)])
