"""No sentence of the program stands outside of flowdiag/text, whether a test prints it or not.

What is for whoever runs a command stays where it is known: errors, help, progress and remarks on standard error. So do what a
finding says of itself (`Kind`, `Key`, the docstring that is its page), the reference of the columns of a review, and what the
collector says of an input; wings before text cannot ask it for words.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import Final

import pytest

PACKAGE: Final = Path(__file__).parents[2] / "flowdiag"
# They say what they have to say in errors and in remarks on an input.
BEFORE_TEXT: Final = ("collector", "site")
# The scenarios are data; the reference pages are made of these words (docs/generate.py).
OTHER_WORDS: Final = ("scenario", "review/reference.py")
# Errors that are put together in functions, and where commands and their help are made.
ERRORS: Final = (
    "aggregator/plan_rates.py",
    "desk/access/access_file.py",
    "errors.py",
    "cli/main.py",
    "cli/output.py",
    "cli/reaching.py",
    "cli/parameters.py",
)
# Codes, names, examples, and what a command says beside its result.
KNOWN: Final = {
    "aggregator/dscp.py": {"no standard class"},
    "cli/demo.py": {"video calls freeze"},
    "cli/options.py": {
        '14:00, 2pm, "yesterday 14:00", "last hour", -2h, or ISO 8601; in the site\'s time zone.'
    },
    "cli/progress.py": {"working it out"},
    "diagnoser/finding.py": {"none at times"},
    "diagnoser/findings/not_the_link.py": {"none at times"},
    "explained.py": {" x  is not a finding code", ", did you mean  x ?"},
    "note/picture_file.py": {"Source Sans Pro"},
    "query_times.py": {
        "the store's newest flow ended at  x , and times without a date are counted back from there"
    },
    "watch/ledgers/folder.py": {
        "UPDATE documents SET content = :content, version = :version + 1 WHERE name = :name AND version = :version",
        "SELECT version, content FROM documents WHERE name = ?",
        "INSERT INTO documents VALUES (:name, :version + 1, :content) ON CONFLICT DO NOTHING",
    },
}
# Who is called with words for whoever runs a command, reads a log or watches metrics, or for a finding itself; what a database is
# told.
SAID_ELSEWHERE: Final = re.compile(
    r"\w*Error|option|argument|Option|echo|stage|progress_bar|Key|Kind|\w+_option|spinner|Mistake|"
    r"info|warning|error|exception|execute|_say|_gauge|GaugeMetricFamily"
)
SENTENCE: Final = re.compile(r"[A-Za-z']{2,}(?: [A-Za-z']+)*? [A-Za-z']{2,}(?: [A-Za-z']+)*? [A-Za-z']{2,}")


def modules() -> list[str]:
    names = [str(file.relative_to(PACKAGE)) for file in sorted(PACKAGE.rglob("*.py"))]
    return [name for name in names if not name.startswith(("text/", *BEFORE_TEXT, *OTHER_WORDS, *ERRORS))]


class Sentences(ast.NodeVisitor):
    """Texts of three words or more that are not said elsewhere; an f-string is one text."""

    def __init__(self) -> None:
        self.found: list[str] = []

    def visit_Expr(self, node: ast.Expr) -> None:
        if not isinstance(node.value, ast.Constant):  # a docstring
            self.generic_visit(node)

    def visit_Raise(self, node: ast.Raise) -> None:
        pass

    def visit_Assert(self, node: ast.Assert) -> None:
        pass

    def visit_Call(self, node: ast.Call) -> None:
        if not SAID_ELSEWHERE.fullmatch(ast.unparse(node.func).rpartition(".")[2]):
            self.generic_visit(node)

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        self._look("".join(part.value if isinstance(part, ast.Constant) else " x " for part in node.values))
        for part in node.values:
            if isinstance(part, ast.FormattedValue):
                self.visit(part.value)

    def visit_Constant(self, node: ast.Constant) -> None:
        if isinstance(node.value, str):
            self._look(node.value)

    def _look(self, text: str) -> None:
        if SENTENCE.search(text) and not text.startswith("flowdiag "):  # what is typed in a shell
            self.found.append(text)


def sentences(source: str) -> list[str]:
    reading = Sentences()
    reading.visit(ast.parse(source))
    return reading.found


@pytest.mark.parametrize("module", modules())
def test_a_module_prints_no_sentence_of_its_own(module: str) -> None:
    assert set(sentences((PACKAGE / module).read_text(encoding="utf-8"))) == KNOWN.get(module, set())


def test_a_sentence_is_seen_wherever_it_stands() -> None:
    assert sentences('"""A docstring of many words."""\nX = "three words here"') == ["three words here"]
    assert sentences('def f(n):\n    return f"all of the {n} devices"') == ["all of the  x  devices"]
    assert sentences('raise UsageError("no such file here")') == []
    assert sentences('click.echo("no such file here", err=True)') == []
    assert sentences('X = Key("what this key means", "name")') == []
