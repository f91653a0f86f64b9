"""All kinds of findings: the files of findings/ are the list, and nothing else lists them."""

from __future__ import annotations

from importlib import import_module
from pkgutil import iter_modules
from typing import Final

from flowdiag.diagnoser import findings
from flowdiag.diagnoser.kind import Kind, Rank

KINDS: Final[tuple[Kind, ...]] = tuple(
    sorted(
        (
            import_module(f"{findings.__name__}.{module.name}").KIND
            for module in iter_modules(findings.__path__)
        ),
        key=lambda kind: kind.page,
    )
)
BY_CODE: Final = {kind.code: kind for kind in KINDS}
# The verdict's order: each rank with the kind it belongs to.
ORDER: Final[tuple[tuple[Rank, Kind], ...]] = tuple(
    sorted(((rank, kind) for kind in KINDS for rank in kind.ranks), key=lambda pair: pair[0].at)
)


def kind_of(code: str) -> Kind:
    """The kind of a code; one that says nothing where the code is not known."""
    return BY_CODE.get(code) or Kind(code, page=0)
