"""A site profile out of a file, or out of the options of a command."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowdiag.errors import ProfileError, UsageError
from flowdiag.site.reading import (
    MAX_FILE,
    MAX_MISTAKES,
    profile_from_options,
    profile_from_text,
    read_profile,
)
from flowdiag.site.values import MAX_NAME
from tests.site.profiles import GOOD, changed


def test_every_key_is_read(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_text(GOOD, encoding="utf-8")
    profile = read_profile(file)
    assert profile.site.name == "Harbour Lane Clinic"
    assert profile.site.lan == ["192.168.40.0/24", "2001:db8:40::/48"]
    fibre, lte = profile.link
    assert (fibre.down_mbps, fibre.up_mbps, fibre.interfaces, fibre.role) == (100.0, 40.0, [2], "primary")
    assert (lte.up_mbps, lte.variable, lte.allowance_gb) == (5.5, True, 50.0)
    assert (lte.keepalive[0].interval_s, lte.keepalive[0].packet_bytes) == (10.0, 84)
    assert profile.plan_catalogue == {"Fibre 250": (250.0, 100.0)}
    assert (profile.thresholds.full, profile.thresholds.busy) == (0.95, 0.70)


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert read_profile(file) == profile_from_text(GOOD, "")


def test_keys_with_a_default_may_be_left_out() -> None:
    text = '[site]\nname = "x"\n[[link]]\nname = "y"\ninterfaces = [1]\ndown_mbps = 1\nup_mbps = 1\n'
    profile = profile_from_text(text, "")
    assert (profile.site.timezone, profile.link[0].framing) == ("UTC", "ethernet")


def test_addresses_and_networks_get_their_canonical_form() -> None:
    text = changed(
        '"192.168.40.0/24", "2001:db8:40::/48"', '"192.168.40.7/24", "2001:DB8:40::1/48", "10.0.0.1"'
    )
    assert profile_from_text(text, "").site.lan == ["192.168.40.0/24", "2001:db8:40::/48", "10.0.0.1/32"]
    mapped = changed('exporters = ["192.0.2.10"]', 'exporters = ["::ffff:192.0.2.10"]')
    assert profile_from_text(mapped, "").site.exporters == ["192.0.2.10"]


def test_files_that_are_no_profile(tmp_path: Path) -> None:
    binary, large = tmp_path / "binary", tmp_path / "large"
    binary.write_bytes(b"name\xff\xfe")
    large.write_bytes(b"#" * (MAX_FILE + 1))
    (tmp_path / "zero").write_bytes(b"[site]\nname = 'a\0b'\n")
    for name, says in (
        ("none", "no such file; expected a site profile; .flowdiag draft EXPORT. proposes one"),
        ("", "is a folder; expected a site profile"),
        ("binary", "at octet 4: is not UTF-8 text"),
        ("large", "has more than 1048576 octets"),
        ("zero", "holds binary data"),
        ("binary/x", "cannot be read: Not a directory"),
        ("a\0b", "cannot be read: embedded null"),
    ):
        with pytest.raises(ProfileError, match=says):
            read_profile(tmp_path / name)


def test_a_profile_from_options_has_one_primary_link() -> None:
    profile = profile_from_options(100, 40.5, 2, ["192.168.40.1/24"], "Pacific/Auckland")
    (link,) = profile.link
    assert (link.down_mbps, link.up_mbps, link.interfaces, link.role) == (100.0, 40.5, [2], "primary")
    assert (profile.site.lan, profile.site.timezone) == (["192.168.40.0/24"], "Pacific/Auckland")


def test_without_interface_numbers_the_lan_has_to_be_known() -> None:
    assert profile_from_options(100, 40, None, ["10.0.0.0/8"]).link[0].interfaces == []
    with pytest.raises(UsageError, match="--interface N, or --lan CIDR"):
        profile_from_options(100, 40, None)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((-1, 40, 2), "--down: -1 is not allowed; expected a rate in Mbit/s above 0"),
        ((100, float("inf"), 2), "--up: inf is not allowed"),
        ((100, 40, 0), "--interface: 0 is not allowed"),
        ((100, 40, 2, ["10.0.0.0/40"]), "--lan: '10.0.0.0/40' is not a network"),
        ((100, 40, 2, [], "Mars/Olympus"), "--timezone: 'Mars/Olympus' is not a time zone"),
    ],
)
def test_a_wrong_option_is_named(arguments: tuple[float, float, int], says: str) -> None:
    with pytest.raises(UsageError, match=says):
        profile_from_options(*arguments)


def test_a_name_of_the_longest_length_fits() -> None:
    profile = profile_from_text(changed('name = "lte"', f'name = "{"é" * MAX_NAME}"'), "")
    assert profile.link[1].name == "é" * MAX_NAME


APPLICATIONS = """
[[application]]
name = "practice records"
kind = "file sharing"
tcp = [7001, 7002]

[[application]]
name = "Practice Records"
tcp = [7002]
udp = [70000]
"""


def test_a_site_names_its_own_applications() -> None:
    own = profile_from_text(GOOD + APPLICATIONS.split("\n\n")[0], "site.toml").application
    assert [(item.name, item.kind, item.tcp, item.udp) for item in own] == [
        ("practice records", "file sharing", [7001, 7002], [])
    ]


def test_applications_at_odds_are_told_with_their_places() -> None:
    text = APPLICATIONS.replace("70000", "7003")
    with pytest.raises(ProfileError) as caught:
        profile_from_text(GOOD + text, "site.toml")
    lines = str(caught.value)
    assert "application[2].name (application 'Practice Records'): application[1] has this name too" in lines
    assert (
        "application[2].tcp (application 'Practice Records'): port 7002 belongs to application[1] already"
        in lines
    )


def test_a_port_beyond_the_last_and_a_kind_of_its_own_are_refused() -> None:
    text = APPLICATIONS.split("\n\n")[0].replace("7002", "70000").replace("file sharing", "games")
    with pytest.raises(ProfileError) as caught:
        profile_from_text(GOOD + text, "site.toml")
    assert "expected a list of ports from 1 to 65535" in str(caught.value)
    assert "expected web, video calls, voice," in str(caught.value)


@pytest.mark.parametrize(
    "number", ["9" * 5_000, "0x" + "f" * 5_000, "9" * 5_000 + ".0", "1_" * 5_000 + "1", "0b" + "1" * 5_000]
)
def test_a_number_of_thousands_of_digits_is_one_clear_line(number: str) -> None:
    with pytest.raises(ProfileError, match=r"^f: line 2: a number of more than 400 digits$"):
        profile_from_text(f"[site]\nname = {number}\n", "f")


def test_many_digits_in_quotes_are_text() -> None:
    with pytest.raises(ProfileError, match="it has 5000 characters"):
        profile_from_text(f'[site]\nname = "{"9" * 5_000}"\n[[link]]\nname = "a"\ninterfaces = [1]\n', "f")


def test_a_hundred_thousand_mistakes_are_as_many_lines_as_a_few() -> None:
    text = "".join(f"k{number} = 1\n" for number in range(5_000))
    with pytest.raises(ProfileError) as raised:
        profile_from_text(text, "f")
    lines = str(raised.value).splitlines()
    assert len(lines) == MAX_MISTAKES + 1
    assert lines[-1].startswith("f: at least ")


def test_a_long_key_is_cut() -> None:
    with pytest.raises(ProfileError) as raised:
        profile_from_text(f"{'k' * 100_000} = 1\n", "f")
    assert max(map(len, str(raised.value).splitlines())) < 300
