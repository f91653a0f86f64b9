"""Who may send."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowdiag.collector.live import allow
from flowdiag.collector.live.allow import plain, read_allow_list
from flowdiag.errors import UsageError


def test_without_a_list_anybody_may_send() -> None:
    assert read_allow_list([], []).everybody
    assert read_allow_list([], []).allows("203.0.113.9")


def test_networks_of_both_families_allow_what_lies_in_them_and_nothing_beside_them() -> None:
    listed = read_allow_list(["192.0.2.0/25", "198.51.100.7", "2001:db8:1::/48"], [])
    assert not listed.everybody
    inside = ["192.0.2.0", "192.0.2.127", "198.51.100.7", "2001:db8:1::", "2001:db8:1:ffff::1"]
    outside = [
        "192.0.1.255",
        "192.0.2.128",
        "198.51.100.6",
        "198.51.100.8",
        "2001:db8:2::",
        "2001:db8:0:ffff::",
    ]
    assert [address for address in inside + outside if listed.allows(address)] == inside


def test_networks_that_nest_or_touch_are_one() -> None:
    listed = read_allow_list(["192.0.2.0/24", "192.0.2.16/28", "192.0.3.0/24"], [])
    assert listed.allows("192.0.2.200")
    assert listed.allows("192.0.3.200")
    assert not listed.allows("192.0.4.0")


def test_an_ipv4_address_is_no_ipv6_address_of_the_same_number() -> None:
    assert not read_allow_list(["0.0.0.0/0"], []).allows("::c000:201")
    assert not read_allow_list(["::/0"], []).allows("192.0.2.1")


def test_files_have_a_network_a_line_and_remarks(tmp_path: Path) -> None:
    file = tmp_path / "allowed"
    file.write_text("# clients\n192.0.2.0/24   # Harbour Lane\n\n  2001:db8::/32\n")
    listed = read_allow_list(["198.51.100.0/24"], [file])
    assert all(map(listed.allows, ["192.0.2.1", "2001:db8::1", "198.51.100.1"]))


def test_an_empty_file_allows_nobody(tmp_path: Path) -> None:
    file = tmp_path / "allowed"
    file.write_text("# nobody yet\n")
    assert not read_allow_list([], [file]).allows("192.0.2.1")


@pytest.mark.parametrize("text", ["192.0.2.1/24", "192.0.2.0/33", "example.org", "-"])
def test_what_is_no_network_is_named_with_its_place(tmp_path: Path, text: str) -> None:
    with pytest.raises(UsageError, match="is not a network") as of_word:
        read_allow_list([text], [])
    assert "--allow" in str(of_word.value)
    file = tmp_path / "allowed"
    file.write_text(f"192.0.2.0/24\n{text}\n")
    with pytest.raises(UsageError) as of_file:
        read_allow_list([], [file])
    assert f"{file} line 2" in str(of_file.value)


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    binary = tmp_path / "binary"
    binary.write_bytes(b"\xff\xfe\x00")
    for path in (tmp_path / "missing", binary):
        with pytest.raises(UsageError, match="the allow list cannot be read") as caught:
            read_allow_list([], [path])
        assert str(path) in str(caught.value)


def test_a_list_beyond_the_bound_was_given_by_mistake(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(allow, "MAX_NETWORKS", 3)
    read_allow_list(["192.0.2.1", "192.0.2.2", "192.0.2.3"], [])
    with pytest.raises(UsageError, match="4 networks may send"):
        read_allow_list(["192.0.2.1", "192.0.2.2", "192.0.2.3", "192.0.2.4"], [])


@pytest.mark.parametrize(
    ("told", "address"),
    [
        ("::ffff:192.0.2.1", "192.0.2.1"),  # RFC 4291 2.5.5.2
        ("fe80::1%eth0", "fe80::1"),
        ("2001:db8::1", "2001:db8::1"),
        ("192.0.2.1", "192.0.2.1"),
    ],
)
def test_addresses_are_compared_without_zone_and_mapping(told: str, address: str) -> None:
    assert plain(told) == address
