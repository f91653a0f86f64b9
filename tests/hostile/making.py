"""`python -m tests.hostile.making MODULE [KIND OCTETS PATH]`: makes one file, or names the kinds of a module."""

from __future__ import annotations

import sys
from importlib import import_module
from pathlib import Path


def kinds(module: str) -> list[str]:
    """The kinds of file that a module makes."""
    return [maker.__name__ for maker in import_module(f"tests.hostile.{module}").KINDS]


def make(module: str, kind: str, octets: int) -> bytes:
    """The octets of one kind of file."""
    makers = {maker.__name__: maker for maker in import_module(f"tests.hostile.{module}").KINDS}
    made: bytes = makers[kind](octets)
    return made


def main() -> None:
    if len(sys.argv) == 2:
        print(*kinds(sys.argv[1]))
        return
    module, kind, octets, path = sys.argv[1:]
    Path(path).write_bytes(make(module, kind, int(octets)))


if __name__ == "__main__":
    main()
