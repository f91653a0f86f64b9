"""The page of each code: the docstring of its file, as `flowdiag explain` and the documentation show it.

Codes are those of the findings and verdicts, and that of what only the watch tells.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Final

from msgspec import Struct

from flowdiag.errors import UsageError
from flowdiag.text.wording.pages import FIGURES, SECTIONS

# Told by the watch alone, and never in a note.
OF_THE_WATCH: Final = ("not-heard",)


class Page(Struct, frozen=True):
    """says: one sentence; sections: (heading, text) in the order of the docstring, text in Markdown."""

    code: str
    says: str
    sections: tuple[tuple[str, str], ...]

    def markdown(self) -> str:
        parts = [f"# {self.code}", self.says]
        for heading, text in self.sections:
            parts += [f"## {heading}", text]
        return "\n\n".join(parts) + "\n"


@cache
def codes() -> frozenset[str]:
    """The codes of all pages, by the names of their files: none is read for that."""
    names = (file.name.removesuffix(".py") for file in _folder().iterdir() if file.name.endswith(".py"))
    return frozenset((*(name.replace("_", "-") for name in names if not name.startswith("_")), *OF_THE_WATCH))


def known_codes() -> list[str]:
    """The codes of all findings and verdicts, in the order of their pages, then those of the watch."""
    return [*finding_codes(), *OF_THE_WATCH]


def finding_codes() -> list[str]:
    """Those that notes have, in the order of their pages."""
    return sorted(codes() - {*OF_THE_WATCH}, key=_page_number)


def pages() -> Iterator[Page]:
    """All pages, in the order of the reference."""
    for code in known_codes():
        yield page(code)


def page(code: str) -> Page:
    """The page of a code. Raises UsageError for an unknown one, with the list of all."""
    wanted = code.strip().lower().replace("_", "-")
    if wanted not in codes():
        from difflib import get_close_matches

        every = known_codes()
        near = get_close_matches(wanted[:60], every, n=1)
        what = f"{code[:60]!r} is not a finding code" + (f", did you mean {near[0]}?" if near else "")
        raise UsageError(what, expected=f"one of {', '.join(every)}")
    # The source is parsed, not imported: a page needs none of what a finding computes with.
    text = ast.get_docstring(ast.parse(_source(wanted).read_text(encoding="utf-8"))) or ""
    return parse_page(wanted, text)


def with_figures(page: Page) -> Page:
    """The page with the keys of the finding's evidence; the same where it has none.

    Loads what the finding computes with, which page() does not.
    """
    if page.code in OF_THE_WATCH:
        return page
    from flowdiag.diagnoser.evidence_schema import evidence_schema, kind_of_value
    from flowdiag.diagnoser.kinds import kind_of

    properties = evidence_schema(kind_of(page.code).evidence)["properties"]
    if not properties:
        return page
    lines = [f"- `{key}` ({kind_of_value(said)}): {said['description']}" for key, said in properties.items()]
    return Page(page.code, page.says, (*page.sections, (FIGURES, "\n".join(lines))))


def parse_page(code: str, docstring: str) -> Page:
    """Splits a docstring into its sentence and its sections, each begun by a word such as `Means:`.

    Text before the first heading and behind the first line belongs to the sentence.
    """
    says: list[str] = []
    sections: list[tuple[str, list[str]]] = []
    for line in docstring.splitlines():
        name, colon, rest = line.partition(":")
        if colon and name in SECTIONS:
            sections.append((SECTIONS[name], [rest.strip()] if rest.strip() else []))
        elif sections:
            sections[-1][1].append(line)
        else:
            says.append(line.strip())
    return Page(
        code,
        " ".join(part for part in says if part),
        tuple((heading, _dedented(lines)) for heading, lines in sections),
    )


def _dedented(lines: list[str]) -> str:
    """Section text without the docstring's own indentation."""
    from inspect import cleandoc

    text = cleandoc("\n" + "\n".join(lines)).strip()
    first = text.split(maxsplit=1)[0] if text else ""
    return text[:1].upper() + text[1:] if first.isalpha() else text  # a threshold's name stays as it is


def _page_number(code: str) -> int:
    """The position of a code's page: `page=` of its KIND, read from the source."""
    for node in ast.walk(ast.parse(_source(code).read_text(encoding="utf-8"))):
        if isinstance(node, ast.keyword) and node.arg == "page":
            number: int = ast.literal_eval(node.value)
            return number
    raise AssertionError(f"{code} says no page")


def _folder() -> Traversable:
    return files("flowdiag.diagnoser.findings")


def _source(code: str) -> Traversable:
    folder = files("flowdiag.watch") if code in OF_THE_WATCH else _folder()
    return folder / f"{code.replace('-', '_')}.py"
