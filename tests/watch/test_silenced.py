"""Acknowledgements and mutes in the ledger."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from flowdiag.durations import DAY_MS, HOUR_MS
from flowdiag.errors import StoreError, UsageError
from flowdiag.watch.silenced import (
    DOCUMENT,
    KEPT_MS,
    MOST,
    Silence,
    add_silence,
    is_site,
    read_silences,
    remove_silence,
    silenced_by,
)
from tests.watch.invented import NOON_MS, event
from tests.watch.ledgers import Memory

UNTIL_MS = NOON_MS + HOUR_MS
MUTE = Silence(kind="muted", until_ms=UNTIL_MS, site="kowhai/*", reason="works", by="mere", at_ms=NOON_MS)


def test_what_is_added_is_read_again_and_can_be_removed_by_its_name() -> None:
    ledger = Memory()
    known = Silence(kind="acknowledged", until_ms=UNTIL_MS, key=event().key)
    add_silence(ledger, MUTE, NOON_MS)
    add_silence(ledger, known, NOON_MS)
    add_silence(ledger, MUTE, NOON_MS)
    assert read_silences(ledger) == (MUTE, known)
    assert remove_silence(ledger, MUTE.name, NOON_MS)
    assert not remove_silence(ledger, MUTE.name, NOON_MS)
    assert read_silences(ledger) == (known,)


@pytest.mark.parametrize(
    ("silence", "about"),
    [
        (MUTE, True),
        (replace(MUTE, site="Harbour"), True),
        (replace(MUTE, site="rata/*"), False),
        (replace(MUTE, site=None, code="on-backup"), True),
        (replace(MUTE, code="outage"), False),
        (replace(MUTE, code="on-backup", link="line"), True),
        (replace(MUTE, link="mobile"), False),
        (replace(MUTE, site=None, key=event().key), True),
        (replace(MUTE, site=None, key="other"), False),
    ],
)
def test_a_mute_is_about_what_matches_all_that_it_says(silence: Silence, about: bool) -> None:
    assert (silenced_by(event(), [silence], NOON_MS) is not None) is about
    assert silenced_by(event(), [silence], UNTIL_MS) is None


@pytest.mark.parametrize(
    ("pattern", "meant"),
    [
        ("*", True), ("kowhai/*", True), ("*/harbour", True), ("k*h*r", True), ("kowhai", False), ("*rata*", False),
        ("kowhai/harbour*", True), ("kowhai/h*harbour", False), ("k*har*har*", False), ("**", True), ("Harb*", True),
    ],
)  # fmt: skip
def test_an_asterisk_stands_for_any_text(pattern: str, meant: bool) -> None:
    assert is_site(pattern, event("kowhai/harbour")) is meant


def test_no_pattern_takes_long() -> None:
    assert not is_site("*a" * 200 + "*b", event("a" * 400))


def test_a_mute_goes_before_an_acknowledgement() -> None:
    known = Silence(kind="acknowledged", until_ms=UNTIL_MS + DAY_MS, key=event().key)
    assert silenced_by(event(), [known, MUTE], NOON_MS) == MUTE
    assert silenced_by(event(), [known, MUTE], UNTIL_MS) == known


@pytest.mark.parametrize(
    "wrong",
    [
        Silence(kind="muted", until_ms=UNTIL_MS),
        Silence(kind="acknowledged", until_ms=UNTIL_MS, site="kowhai/*"),
        replace(MUTE, until_ms=NOON_MS),
        replace(MUTE, until_ms=NOON_MS + 400 * DAY_MS),
        replace(MUTE, reason="x" * 501),
    ],
)
def test_what_cannot_be_meant_is_refused(wrong: Silence) -> None:
    with pytest.raises(UsageError):
        add_silence(Memory(), wrong, NOON_MS)


def test_what_is_over_is_forgotten_after_a_month_and_the_list_is_bounded() -> None:
    ledger = Memory()
    add_silence(ledger, MUTE, NOON_MS)
    later_ms = UNTIL_MS + KEPT_MS
    for number in range(MOST + 1):
        now_ms = later_ms + 2 * number
        one = Silence(kind="muted", until_ms=now_ms + 1, site=f"site-{number}")
        add_silence(ledger, one, now_ms)
    kept = read_silences(ledger)
    assert MUTE not in kept
    assert [one.site for one in kept] == [f"site-{number}" for number in range(1, MOST + 1)]


def test_more_than_can_be_kept_is_refused_and_not_dropped() -> None:
    ledger = Memory()
    for number in range(MOST):
        add_silence(ledger, replace(MUTE, site=f"site-{number}"), NOON_MS)
    with pytest.raises(UsageError, match="are silenced already"):
        add_silence(ledger, MUTE, NOON_MS)


def test_who_writes_while_another_does_loses_nothing() -> None:
    class Contended(Memory):
        busy = 3

        def write(self, name: str, content: bytes, version: int) -> bool:
            if self.busy:
                self.busy -= 1
                other = replace(MUTE, site=f"other-{self.busy}")
                add_silence(self.quiet, other, NOON_MS)
                return False
            return super().write(name, content, version)

        @property
        def quiet(self) -> Memory:
            same = Memory()
            same.documents = self.documents
            return same

    ledger = Contended()
    add_silence(ledger, MUTE, NOON_MS)
    assert len(read_silences(ledger)) == 4


def test_a_damaged_document_is_one_clear_error() -> None:
    ledger = Memory()
    ledger.write(DOCUMENT, b"{", 0)
    with pytest.raises(StoreError, match="is damaged"):
        read_silences(ledger)
