"""Sites by a part of their name."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowdiag.errors import ProfileError, UsageError
from flowdiag.site.folder import named_sites, site_named


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    names = {
        "harbour.toml": "Harbour Lane",
        "annex.toml": "Harbour Lane Annex",
        "north/clinic.toml": "Rātā Clinic",
        "south/clinic.toml": "Kowhai   Clinic",
        "south/depot.toml": "Depot",
        "north/depot.toml": "Depot",
        ".old/depot.toml": "Old Depot",
    }
    for below, name in names.items():
        file = tmp_path / below
        file.parent.mkdir(exist_ok=True)
        file.write_text(f'[site]\nname = "{name}"\n', encoding="utf-8")
    (tmp_path / "broken.toml").write_text("[site", encoding="utf-8")
    (tmp_path / "nameless.toml").write_text("[site]\nname = 7\n", encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize(
    ("part", "file"),
    [
        ("kowhai", "south/clinic.toml"),
        ("RĀTĀ", "north/clinic.toml"),
        ("kowhai clinic", "south/clinic.toml"),
        ("  lane   ANNEX ", "annex.toml"),
        ("harbour lane", "harbour.toml"),  # all of one name, though a part of another
    ],
)
def test_a_part_that_only_one_name_has_means_it(folder: Path, part: str, file: str) -> None:
    assert site_named(folder, part) == folder / file


@pytest.mark.parametrize(
    ("part", "said"),
    [
        (
            "harbour",
            "--site-name: 'harbour' is part of 2 names:\n  Harbour Lane (harbour.toml)\n"
            "  Harbour Lane Annex (annex.toml)\nwrite more of the name, or give the profile by --site",
        ),
        (
            "depot",
            "--site-name: 'depot' is part of 2 names:\n  Depot (north/depot.toml)\n  Depot (south/depot.toml)\n"
            "write more of the name, or give the profile by --site",
        ),
        (
            "habour lane",
            "has 'habour lane' in its name; there are:\n  Harbour Lane (harbour.toml)\n  Harbour Lane Annex (annex.toml)",
        ),
        (
            " ",
            "has ' ' in its name; there are:\n  Depot (north/depot.toml)\n  Depot (south/depot.toml)\n"
            "  Harbour Lane (harbour.toml)\n  Harbour Lane Annex (annex.toml)\n  Kowhai Clinic (south/clinic.toml)\n"
            "  Rātā Clinic (north/clinic.toml)",
        ),
    ],
)
def test_a_part_that_means_none_or_several_is_told_with_the_names(folder: Path, part: str, said: str) -> None:
    with pytest.raises(UsageError) as wrong:
        site_named(folder, part)
    assert str(wrong.value).endswith(said)


def test_long_lists_are_cut(tmp_path: Path) -> None:
    for number in range(25):
        (tmp_path / f"{number:02}.toml").write_text(f'[site]\nname = "Shop {number:02}"\n', encoding="utf-8")
    with pytest.raises(UsageError) as wrong:
        site_named(tmp_path, "shop")
    lines = str(wrong.value).splitlines()
    assert lines[20:22] == ["  Shop 19 (19.toml)", "  and 5 more"]


def test_a_folder_that_holds_no_profiles_is_told(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="holds no site profiles"):
        named_sites(tmp_path)
    with pytest.raises(ProfileError, match="no such folder"):
        named_sites(tmp_path / "none")
