"""Whoever translates the program finds all that it prints in flowdiag/text, and in what a finding says of itself.

Those words are put into accented look-alikes (pseudo.py); notes, reviews and lists are rendered in a process of their own
(rendering.py); and no plain word may be left that is not data: names of the profile, of hosts, applications and zones,
codes, keys of a profile, and what a reader says of an input.
"""

from __future__ import annotations

import html
import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

import pytest

from flowdiag.diagnoser.kinds import KINDS
from flowdiag.scenario.library import FERRY_OFFICE
from flowdiag.scenario.site import profile_toml
from tests.note.scenes import AFTERNOONS
from tests.text.pseudo import LETTERS

WORD: Final = re.compile(
    r"(?<![\w-])[A-Za-z]{2,}(?![\w…-])"
)  # neither a part of a code nor cut to fit a picture
MARKUP: Final = re.compile(r"<style>.*?</style>|<[^>]*?aria-label=\"([^\"]*)\"[^>]*>|<[^>]+>", re.DOTALL)
# Names of the trade and of zones, and names of who is reviewed, also as a narrow column folds them.
DATA: Final = (
    *(
        "pcap",
        "NetFlow",
        "ICMP",
        "UDP",
        "DF",
        "Standard",
        "UTC",
        "NZDT",
        "Pacific/Auckland",
        "Australia/Sydney",
    ),
    *("Kowhai Clinic", "Kowhai", "Clinic", "room", "Line", "export", "backup", "unknown"),
)
# collector/decode: how the numbers of messages are read is said by what reads them.
READING: Final = ("messages of the source id",)
DRAWN: Final = re.compile(
    r"F+|(?:ab|cd)?f{4}|[a-z]+[A-Z]\w+|tmp\w*"
)  # bars, addresses, information elements (RFC 7012), folders


@cache
def data() -> tuple[tuple[str, ...], frozenset[str]]:
    """Phrases, the longest first, and words that are none of the program's."""
    profile = tomllib.loads(profile_toml(FERRY_OFFICE))
    catalogue = tomllib.loads(
        (files("flowdiag.aggregator") / "applications.toml").read_text(encoding="utf-8")
    )
    complaints = [afternoon.reported or "" for afternoon in AFTERNOONS.values()]
    # Keys and values that a profile may have.
    keys = (
        "hours",
        "label",
        "network",
        "true",
        "variable",
        "exporters",
        "interfaces",
        "lan",
        "framing",
        "keepalive",
    )
    names = {
        *_texts(profile),
        *_texts(catalogue),
        *complaints,
        *(kind.code for kind in KINDS),
        *DATA,
        *READING,
    }
    phrases = sorted((name for name in names if " " in name or "/" in name), key=len, reverse=True)
    return tuple(phrases), frozenset(names.difference(phrases).union(keys))


def _texts(content: Any) -> Iterator[str]:
    if isinstance(content, dict):
        for key, value in content.items():
            yield key
            yield from _texts(value)
    elif isinstance(content, list):
        for value in content:
            yield from _texts(value)
    else:
        yield str(content)


def plain_words(text: str) -> list[str]:
    """The plain words of a text, or of what a page shows and describes, that are no data."""
    if "<html" in text:
        text = html.unescape(MARKUP.sub(lambda found: f"\n{found[1] or ''}\n", text))
    phrases, words = data()
    text = " ".join(text.split())
    for phrase in phrases:
        text = text.replace(phrase, "·")
    return [word for word in WORD.findall(text) if word not in words and not DRAWN.fullmatch(word)]


def rendered(*words: str) -> dict[str, str]:
    done = subprocess.run(
        [sys.executable, "-m", "tests.text.speaking", *words],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[2],
    )
    assert done.returncode == 0, done.stderr
    told: dict[str, str] = json.loads(done.stdout)
    return told


@pytest.mark.slow
def test_no_words_stand_outside_of_what_is_translated() -> None:
    told = rendered()
    assert len(told) > 30
    assert {name: words for name, text in told.items() if (words := plain_words(text))} == {}
    for name, text in told.items():
        assert any(letter in text for letter in map(chr, LETTERS.values())), name


def test_a_sentence_put_in_outside_is_found() -> None:
    told = rendered("flowdiag.note.markdown", "wording.FINDINGS", "All this we found")
    assert plain_words(told["healthy.markdown"]) == ["All", "this", "we", "found"]
    assert plain_words(told["healthy.text"]) == []


def test_words_are_told_from_data_and_codes() -> None:
    assert plain_words("The line was full: link-full") == ["The", "line", "was", "full"]
    assert plain_words("åƀç link-full 34 öf Puriri Point Ferry Office, öf ŧĥé fibre") == []
    assert plain_words('<html><p class="seen" aria-label="who used it">Å</p>') == ["who", "used", "it"]
