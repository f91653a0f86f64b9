"""THE one place that neutralises untrusted text, one function per place where text may land.

Names of interfaces, applications and labels, file names, --reported and --ticket come from people and from
the network. Each function makes them one bounded line first: control and escape characters (ECMA-48),
bidirectional controls (Unicode TR 36, 3.4), zero-width and other format characters, line and paragraph
separators, private-use characters, noncharacters and lone surrogates become a visible replacement; kinds of
white space become spaces.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Final

# As much of one text as a ticket needs; a complaint of some paragraphs fits.
LONGEST: Final = 2_000
# More combining marks in a row than any script stacks on one letter are cut: they paint over other lines.
MOST_MARKS: Final = 4
REPLACEMENT: Final = "\N{REPLACEMENT CHARACTER}"
ELLIPSIS: Final = "\N{HORIZONTAL ELLIPSIS}"

# Letters and marks by category that show nothing: Hangul fillers, grapheme joiner, Khmer inherent vowels.
_INVISIBLE: Final = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u3164\uffa0")
_BAD_CATEGORIES: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Zl", "Zp"})
_MARKS: Final = re.compile(
    rf"([\u0300-\u036f\u0483-\u0489\u1ab0-\u1aff\u1dc0-\u1dff\u20d0-\u20ff\ufe20-\ufe2f]{{{MOST_MARKS}}})"
    r"[\u0300-\u036f\u0483-\u0489\u1ab0-\u1aff\u1dc0-\u1dff\u20d0-\u20ff\ufe20-\ufe2f]+"
)


def terminal(text: str, *, longest: int = LONGEST) -> str:
    """One line of printable text of at most `longest` characters, ending in an ellipsis if it was cut."""
    if text.isascii() and text.isprintable() and len(text) <= longest:
        return text
    shown = "".join(map(_shown, text[: longest + 1].replace("\r\n", "\n")))
    if len(text) > longest:
        shown = shown[: longest - 1] + ELLIPSIS
    return _MARKS.sub(r"\1", shown)


def _shown(character: str) -> str:
    if character.isascii() and character.isprintable():
        return character
    category = unicodedata.category(character)
    if character in "\t\n\r" or category == "Zs":
        return " "
    if category in _BAD_CATEGORIES or character in _INVISIBLE or _is_noncharacter(ord(character)):
        return REPLACEMENT
    return character


def _is_noncharacter(code: int) -> bool:
    """Unicode 23.7: U+FDD0 to U+FDEF and the last two code points of each plane."""
    return 0xFDD0 <= code <= 0xFDEF or code & 0xFFFE == 0xFFFE


# CommonMark 2.4: a backslash before ASCII punctuation makes it literal. "<", ">" and "&" become entities
# instead, which are safe even where a system lets raw HTML through.
_MARKDOWN_ANYWHERE: Final = re.compile(r"[\\`*_\[\]|~$]")
_MARKDOWN_LEADING: Final = re.compile(r"^(\d{1,9})?([#+\-=.)])(?=\s|[-+=#]|$)")
_ENTITIES: Final = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;"})
# What makes a link of bare text in common extensions: a scheme, and a dot before letters. A time is neither.
_MARKDOWN_SCHEME: Final = re.compile(r":(?=/|(?!\d)\w+[@.])")
_MARKDOWN_DOMAIN: Final = re.compile(r"(?<=\w)\.(?=[^\W\d_])")
# Mail addresses and mentions are found after escapes are gone, so only another character helps.
_MARKDOWN_AT: Final = re.compile(r"@(?=\w)")


def markdown(text: str) -> str:
    """Literal text for CommonMark and pipe tables: no markup, HTML, link, mention or list comes of it."""
    line = " ".join(terminal(text).split())
    line = _MARKDOWN_ANYWHERE.sub(r"\\\g<0>", line)
    line = _MARKDOWN_LEADING.sub(lambda m: f"{m[1] or ''}\\{m[2]}", line)
    line = _MARKDOWN_SCHEME.sub(r"\\:", line)
    line = _MARKDOWN_DOMAIN.sub(r"\\.", line)
    line = _MARKDOWN_AT.sub("\N{FULLWIDTH COMMERCIAL AT}", line)
    return line.translate(_ENTITIES)


def html(text: str, *, longest: int = LONGEST) -> str:
    """Text for HTML and XML content and quoted attributes."""
    # Loads two thousand names of characters, which the other formats need not wait for.
    from html import escape

    return escape(terminal(text, longest=longest), quote=True)


_FORMULA: Final = tuple(
    "=+-@\t\r\n\N{FULLWIDTH EQUALS SIGN}\N{FULLWIDTH PLUS SIGN}"
    "\N{FULLWIDTH HYPHEN-MINUS}\N{FULLWIDTH COMMERCIAL AT}"
)


def csv_cell(text: str) -> str:
    """A cell that no spreadsheet takes for a formula: an apostrophe before =, +, -, @, tab and line ends.

    Quoting of commas and quotes is the csv writer's part (RFC 4180). Numbers need no such treatment and must
    not pass here: a negative number would become text.
    """
    shown = terminal(text)
    if text.startswith(_FORMULA) or shown.lstrip(f" {REPLACEMENT}").startswith(_FORMULA):
        return f"'{shown}"
    return shown


def toml_string(text: str) -> str:
    """A basic string with its quotes (TOML 1.0) that holds the printable form of a text."""
    return '"' + terminal(text).replace("\\", "\\\\").replace('"', '\\"') + '"'
