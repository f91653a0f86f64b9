"""The folder of profiles: who is a client, and what happens to profiles that cannot be used."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowdiag.errors import ProfileError
from flowdiag.review.sites import read_sites
from tests.review.building import PROFILE


def test_a_folder_below_is_a_client_with_several_sites(tmp_path: Path) -> None:
    (tmp_path / "Rata Group").mkdir()
    for name in ("Rata Group/north.toml", "Rata Group/south.toml", "single.toml"):
        (tmp_path / name).write_text(PROFILE.replace("Made by hand", name))
    sites, faults = read_sites(tmp_path)
    assert [(site.client, site.file) for site in sites] == [
        ("Rata Group", "Rata Group/north.toml"),
        ("Rata Group", "Rata Group/south.toml"),
        ("single.toml", "single.toml"),
    ]
    assert not faults


def test_a_wrong_profile_is_named_and_the_others_are_used(tmp_path: Path) -> None:
    (tmp_path / "right.toml").write_text(PROFILE)
    (tmp_path / "wrong.toml").write_text(PROFILE.replace("down_mbps = 100", "down_mbps = -1"))
    (tmp_path / ".hidden.toml").write_text("nonsense")
    sites, faults = read_sites(tmp_path)
    assert [site.file for site in sites] == ["right.toml"]
    assert ["wrong.toml" in str(fault) for fault in faults] == [True]


def test_a_folder_without_a_usable_profile_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="holds no site profiles"):
        read_sites(tmp_path)
    (tmp_path / "wrong.toml").write_text("[site")
    with pytest.raises(ProfileError, match="not TOML"):
        read_sites(tmp_path)
    with pytest.raises(ProfileError, match="no such folder"):
        read_sites(tmp_path / "nowhere")
    with pytest.raises(ProfileError, match="is no folder"):
        read_sites(tmp_path / "wrong.toml")
