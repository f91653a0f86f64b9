"""Every input that once broke a promise keeps it now, and so does every seed of the fuzzer."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fuzz import profiles, tables
from tests.fuzz.seeds import seeds
from tests.fuzz.target import read, read_twice

FOUND = sorted((Path(__file__).parent / "found").iterdir())


@pytest.mark.parametrize("path", FOUND, ids=lambda path: path.name)
def test_what_broke_once_does_not_break_again(path: Path) -> None:
    read_twice(path.read_bytes())


@pytest.mark.parametrize("name", seeds())
def test_the_fuzzer_starts_from_files_that_hold_flows_or_options(name: str) -> None:
    octets = seeds()[name]
    read_twice(octets)
    reading = read(octets, 1000)
    assert not isinstance(reading, str), reading
    assert sum(told.records + told.option_records for told in reading.report.sessions)


@pytest.mark.parametrize("name", profiles.seeds())
def test_profiles_that_the_fuzzer_starts_from_keep_the_promise(name: str) -> None:
    profiles.read_profile(profiles.seeds()[name])


@pytest.mark.parametrize("name", tables.seeds())
def test_tables_that_the_fuzzer_starts_from_are_read(name: str) -> None:
    octets = tables.seeds()[name]
    tables.read_table(octets)
    assert octets != tables.mutate(octets, len(octets), 1)
