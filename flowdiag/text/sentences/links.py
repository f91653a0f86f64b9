"""How links are called in sentences, so that none says its role twice: never "its backup backup" or "the line line"."""

from __future__ import annotations

import re
from typing import Final

from flowdiag.text.asked import Asked

# Names that say what a link is rather than which; they need an article.
_ROLES: Final = frozenset({"backup", "main", "primary", "secondary", "line", "link", "uplink", "connection"})


def _words(name: str) -> set[str]:
    return set(re.findall(r"\w+", name.casefold()))


def whose_line(case: Asked, link: int) -> str:
    """What a client calls a link."""
    links = case.profile.link
    if links[link].role == "backup":
        return "backup line"
    if len(links) == 1:
        return "line"
    if sum(1 for other in links if other.role == "primary") == 1:
        return "main line"
    name = links[link].name
    return f'"{name}"' if "line" in _words(name) else f'line "{name}"'


def called(name: str) -> str:
    """A link in an engineer's sentence: "fibre", "the LTE backup", "the main line"."""
    words = _words(name)
    if words <= {"main", "primary", "secondary"} and words:
        return f"the {name} line"
    return f"the {name}" if words & _ROLES else name


def backup_called(name: str) -> str:
    """After "the" or "its": "backup lte", "LTE backup", "backup"."""
    return name if "backup" in _words(name) else f"backup {name}"
