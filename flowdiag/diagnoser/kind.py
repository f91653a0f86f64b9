"""What a kind of finding is, beside how it is decided: its place in the verdict's order, and what it means to a client.

Each file of findings/ ends with its KIND; the list of all kinds, the finders, the verdict's order, the codes of the JSON Schema
and the pages follow from these (kinds.py).
"""

from __future__ import annotations

from collections.abc import Callable

from msgspec import Struct

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.evidence import Evidence
from flowdiag.diagnoser.finding import Finding

Holds = Callable[[Case, Finding], bool]


def always(case: Case, finding: Finding) -> bool:
    """Whatever the finding."""
    return True


def sustained(case: Case, finding: Finding) -> bool:
    """Whether it lasted long enough to explain more than a moment."""
    return not finding.evidence.get("short")


class Rank(Struct, frozen=True):
    """A place in the verdict's order.

    at: a lower number goes first; what takes the line away before what fills it, and that before what merely uses it.
    holds: for which findings of the kind it is.
    audit: only where nobody complained.
    """

    at: int
    holds: Holds = always
    audit: bool = False


class Kind(Struct, frozen=True):
    """A kind of finding, or of verdict without one.

    code: as in the JSON.
    page: its position among the pages, whose text is the module's docstring.
    find: gives the findings of a case; None for a verdict that is left when there are none.
    evidence: the figures that its findings carry.
    ranks: where it may be the verdict; none for what never is.
    means: what it means, to the client; in_audit where nobody complained, variable where the link's rate is only typical.
    next_step: what we do next, to the client; empty where the client's own step is enough.
    """

    code: str
    page: int
    find: Callable[[Case], list[Finding]] | None = None
    evidence: type[Evidence] = Evidence
    ranks: tuple[Rank, ...] = ()
    means: str = ""
    means_in_audit: str = ""
    means_variable: str = ""
    next_step: str = ""
    next_step_in_audit: str = ""
    next_step_variable: str = ""
