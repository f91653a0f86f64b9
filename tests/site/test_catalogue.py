"""The sites of a desk: their addresses, how they are found, and what happens when profiles change."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.desk.people import Person
from flowdiag.errors import ProfileError
from flowdiag.site import catalogue
from flowdiag.site.catalogue import Catalogue
from flowdiag.site.site_key import site_key

PROFILE = """
[site]
name = "{name}"
exporters = ["{exporter}"]

[[link]]
name = "fibre"
interfaces = [2]
down_mbps = 100
up_mbps = 20

[[label]]
network = "192.168.40.7"
name = "till at the door"
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(catalogue, "LOOKED_AT_EVERY_S", 0.0)
    (tmp_path / "rata-group").mkdir()
    write(tmp_path / "harbour.toml", "Harbour Lane", "192.0.2.1")
    write(tmp_path / "rata-group" / "north.toml", "North Depot", "192.0.2.2")
    write(tmp_path / "rata-group" / "South & Sons.toml", "South Depot", "192.0.2.3")
    return tmp_path


def write(file: Path, name: str, exporter: str) -> None:
    file.write_text(PROFILE.format(name=name, exporter=exporter))


def test_a_site_has_an_address_its_client_and_its_place(folder: Path) -> None:
    sites = {site.name: (site.key, site.place, site.client) for site in Catalogue(folder).all()}
    assert sites == {
        "Harbour Lane": ("harbour", "harbour", "Harbour Lane"),
        "North Depot": ("rata-group.north", "rata-group/north", "rata-group"),
        "South Depot": ("rata-group.south-sons-d2e4245e", "rata-group/South & Sons", "rata-group"),
    }


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("har", ["Harbour Lane"]),
        ("DEPOT", ["North Depot", "South Depot"]),
        ("depot rata south", ["South Depot"]),
        ("192.0.2.2", ["North Depot"]),
        ("till", ["Harbour Lane", "North Depot", "South Depot"]),
        ("nowhere", []),
        ("", ["Harbour Lane", "North Depot", "South Depot"]),
    ],
)
def test_a_site_is_found_by_name_client_label_or_address(folder: Path, words: str, found: list[str]) -> None:
    sites = Catalogue(folder)
    assert [site.name for site in sites.find(words, sites.all())] == found


def test_names_that_begin_with_the_words_come_first(folder: Path) -> None:
    write(folder / "z.toml", "Depot of all", "192.0.2.9")
    write(folder / "a.toml", "A depot", "192.0.2.8")
    sites = Catalogue(folder)
    assert next(site.name for site in sites.find("depot", sites.all())) == "Depot of all"


def test_changed_new_and_removed_profiles_count(folder: Path) -> None:
    sites = Catalogue(folder)
    before = {site.key: site.digest for site in sites.all()}
    write(folder / "harbour.toml", "Harbour Lane 2", "192.0.2.1")
    write(folder / "new.toml", "New", "192.0.2.5")
    (folder / "rata-group" / "north.toml").unlink()
    after = {site.key: site.digest for site in sites.all()}
    assert set(after) - set(before) == {"new"}
    assert set(before) - set(after) == {"rata-group.north"}
    assert before["harbour"] != after["harbour"]
    assert sites.get("harbour").name == "Harbour Lane 2"


def test_a_faulty_profile_leaves_the_others(folder: Path) -> None:
    (folder / "harbour.toml").write_text("[site]\nname = 3\n")
    sites = Catalogue(folder)
    assert len(sites.all()) == 2
    assert len(sites.faults) == 1
    assert "harbour.toml" in str(sites.faults[0])


def test_a_folder_without_profiles_is_said(tmp_path: Path) -> None:
    with pytest.raises(ProfileError):
        Catalogue(tmp_path).all()


@given(st.lists(st.text(min_size=1, max_size=12), min_size=2, max_size=8, unique=True))
def test_no_two_places_share_an_address(places: list[str]) -> None:
    keys = [site_key(place) for place in places]
    assert len(set(keys)) == len(places)
    assert all(key.replace("-", "").replace(".", "").isalnum() and key.isascii() for key in keys)


@pytest.mark.parametrize(
    ("patterns", "seen"),
    [
        ((), []),
        (("*",), ["harbour", "rata-group.north", "rata-group.south-sons-d2e4245e"]),
        (("harbour",), ["harbour"]),
        (("rata-group/*",), ["rata-group.north", "rata-group.south-sons-d2e4245e"]),
        (("rata-group/North",), []),
        (("rata/*", "rata-group"), []),
    ],
)
def test_a_person_sees_the_sites_of_their_list_and_no_other(
    folder: Path, patterns: tuple[str, ...], seen: list[str]
) -> None:
    person = Person("somebody", frozenset({"helpdesk"}), patterns)
    assert sorted(site.key for site in Catalogue(folder).all() if person.sees(site)) == seen
