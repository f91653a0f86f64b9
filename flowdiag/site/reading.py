"""Reads a site profile from TOML, or makes one from command-line options, with clear errors."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from flowdiag.errors import ProfileError, UsageError
from flowdiag.site.mistakes import MAX_LOOKED_AT, Mistake, mistakes_in
from flowdiag.site.profile import Profile

MAX_FILE: Final = 1 << 20  # octets; thousands of labels fit
MAX_MISTAKES: Final = 20  # lines; whoever has more starts with these

# tomllib's work grows with the square of the keys joined by dots; the profile needs two.
MANY_KEYS: Final = 16
_KEY: Final = r"""(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')"""
_DOTTED: Final = re.compile(rf"(?<![\w-]){_KEY}(?:[ \t]*+\.[ \t]*+{_KEY}){{{MANY_KEYS}}}")

# Digits of a number, decimal or not: the longest that belongs into a profile has eight. Python refuses to read and to
# write much longer ones, since its work grows with their square.
MANY_DIGITS: Final = 400
_DIGITS: Final = re.compile(rf"(?<![\w\"'])[0-9][0-9a-fA-F_xob]{{{MANY_DIGITS},}}+")
_TOML_POSITION: Final = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)\Z")


def read_profile(path: str | Path) -> Profile:
    """The profile in a TOML file.

    Raises ProfileError; with several mistakes its text has one line for each, and every line names the file.
    """
    file = str(path)
    return profile_from_text(_text(Path(path), file), file)


def profile_from_text(text: str, file: str) -> Profile:
    """The profile in TOML text; file stands in the error lines. Raises ProfileError."""
    raw = _parsed(text, file)
    try:
        profile = Profile.model_validate(raw)
    except ValidationError as error:
        raise _profile_error(mistakes_in(error, raw), file) from None
    if not profile.link:
        raise _profile_error([Mistake("link", "is missing", "at least one [[link]] table")], file)
    return profile


def profile_from_options(
    down: float,
    up: float,
    interface: int | None,
    lan: list[str] | tuple[str, ...] = (),
    timezone: str = "UTC",
) -> Profile:
    """A profile of one primary link, for a site that has none yet.

    down, up: plan rates in Mbit/s; interface: ifIndex of the link, None if the export tells none (then lan
    has to say who is inside); lan: networks inside; timezone: IANA name. Raises UsageError that names the
    option.
    """
    if interface is None and not lan:
        raise UsageError(
            "nothing says which traffic is the link's",
            expected="--interface N, or --lan CIDR where there is none",
        )
    raw = {
        "site": {"name": "Site without a profile", "timezone": timezone, "lan": list(lan)},
        "link": [
            {
                "name": "line",
                "interfaces": [] if interface is None else [interface],
                "down_mbps": down,
                "up_mbps": up,
            }
        ],
    }
    try:
        return Profile.model_validate(raw)
    except ValidationError as error:
        first = mistakes_in(error, raw)[0]
        option = next(option for key, option in _OPTION_OF_KEY.items() if first.key.startswith(key))
        raise UsageError(f"{option}: {first.what}", expected=first.expected) from None


_OPTION_OF_KEY: Final = {
    "link[1].down_mbps": "--down",
    "link[1].up_mbps": "--up",
    "link[1].interfaces": "--interface",
    "site.lan": "--lan",
    "site.timezone": "--timezone",
}


def _text(path: Path, file: str) -> str:
    try:
        with path.open("rb") as stream:
            content = stream.read(MAX_FILE + 1)
    except FileNotFoundError:
        raise ProfileError(
            "no such file",
            file=file,
            expected="a site profile",
            advice='"flowdiag draft EXPORT" proposes one',
        ) from None
    except IsADirectoryError:
        raise ProfileError("is a folder", file=file, expected="a site profile (one TOML file)") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else None
        raise ProfileError(f"cannot be read: {reason or error}", file=file) from None
    if len(content) > MAX_FILE:
        raise ProfileError(f"has more than {MAX_FILE} octets", file=file, expected="a site profile (TOML)")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ProfileError(
            "is not UTF-8 text", file=file, offset=error.start, expected="a site profile (TOML)"
        ) from None
    if "\0" in text:
        raise ProfileError("holds binary data", file=file, expected="a site profile (TOML)")
    return text


def _parsed(text: str, file: str) -> dict[str, Any]:
    for pattern, what in (
        (_DOTTED, f"more than {MANY_KEYS} keys joined by dots"),
        (_DIGITS, f"a number of more than {MANY_DIGITS} digits"),
    ):
        if match := pattern.search(text):
            line = text.count("\n", 0, match.start()) + 1
            raise ProfileError(f"line {line}: {what}", file=file)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        position = _TOML_POSITION.search(str(error))
        what = str(error)[: position.start()] if position else str(error)
        line = int(position[1]) if position and position[1] else text.count("\n") + 1
        raise ProfileError(
            f"line {line}: not TOML: {what[:1].lower()}{what[1:]}", file=file, expected=_toml_hint(what)
        ) from None
    except RecursionError:
        raise ProfileError(
            "values are nested too deep", file=file, expected="a site profile (TOML)"
        ) from None


def _toml_hint(what: str) -> str | None:
    if what.startswith("Invalid value"):
        return 'text in "quotes", a number, true, false or a [list]'
    if what.startswith(("Invalid statement", "Expected '='")):
        return 'a line like key = "value" or a [table]'
    return None


def _profile_error(mistakes: list[Mistake], file: str) -> ProfileError:
    lines = [str(mistake) for mistake in mistakes[:MAX_MISTAKES]]
    if len(mistakes) > MAX_MISTAKES:
        more = f"{len(mistakes) - MAX_MISTAKES} more mistakes"
        lines.append(f"at least {more}" if len(mistakes) >= MAX_LOOKED_AT else more)
    # The error class puts the file before the first line.
    return ProfileError(f"\n{file}: ".join(lines), file=file)
