"""Pseudonyms are stable, keep prefixes (RFC 6235, 4.1.4), and leave no inside address in any format."""

import os
import stat
from ipaddress import IPv4Address, IPv6Address, ip_address, ip_network
from pathlib import Path

import click
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.errors import FlowdiagError
from flowdiag.note import html, json_note, markdown, text
from flowdiag.note.compose import compose
from flowdiag.note.pseudonyms import Address, Pseudonyms, default_key_file
from tests.collector.modes import umask
from tests.note.building import full_upload
from tests.note.situations import SITUATIONS

KEY = bytes(range(32))
NAMES = Pseudonyms(KEY)


def bits(name: str) -> str:
    """The bits of a pseudonym."""
    digits = name.removeprefix("inside-").replace("-", "")
    return f"{int(digits, 16):0{4 * len(digits)}b}"


def shared(a: str, b: str) -> int:
    return next((at for at, (x, y) in enumerate(zip(a, b, strict=True)) if x != y), len(a))


@given(st.ip_addresses(v=4), st.ip_addresses(v=4))
def test_ipv4_pseudonyms_share_as_many_bits_as_the_addresses(a: IPv4Address, b: IPv4Address) -> None:
    assert shared(bits(NAMES.of(a)), bits(NAMES.of(b))) == shared(f"{int(a):032b}", f"{int(b):032b}")


@given(st.ip_addresses(v=6), st.ip_addresses(v=6))
def test_ipv6_pseudonyms_share_as_many_bits_as_the_addresses(a: IPv6Address, b: IPv6Address) -> None:
    assert shared(bits(NAMES.of(a)), bits(NAMES.of(b))) == shared(f"{int(a):0128b}", f"{int(b):0128b}")


def test_devices_of_a_network_share_the_networks_name() -> None:
    hosts = {NAMES.of(host) for host in ip_network("192.168.40.0/24")}
    assert len(hosts) == 256
    assert {host.rsplit("-", 1)[0] for host in hosts} == {
        NAMES.of(ip_address("192.168.40.1")).rsplit("-", 1)[0]
    }
    assert NAMES.of(ip_address("192.168.41.1")).rsplit("-", 1)[0] not in {h.rsplit("-", 1)[0] for h in hosts}


@pytest.mark.parametrize("address", ["192.168.40.20", "2001:db8:40::25", "fe80::1", "10.0.0.0"])
def test_a_pseudonym_cannot_be_taken_for_an_address(address: str) -> None:
    name = NAMES.of(ip_address(address))
    with pytest.raises(ValueError, match="does not appear to be"):
        ip_address(name)
    assert len(name) <= 40  # fits where an IPv6 address does
    assert NAMES.replaced(name, lambda _: True) == name


def test_the_same_key_gives_the_same_name_and_another_key_another() -> None:
    address = ip_address("192.168.40.20")
    assert Pseudonyms(KEY).of(address) == NAMES.of(address)
    assert Pseudonyms(bytes(32)).of(address) != NAMES.of(address)


def inside(address: Address) -> bool:
    return any(address in ip_network(network) for network in ("192.168.40.0/24", "2001:db8:40::/48"))


HOST = NAMES.of(ip_address("192.168.40.20"))
SIX = NAMES.of(ip_address("2001:db8:40::25"))


@pytest.mark.parametrize(
    ("given_text", "expected"),
    [
        ("192.168.40.20", HOST),
        ("192.168.40.20 (imaging archive) had 91%.", f"{HOST} (imaging archive) had 91%."),
        ("It was 192.168.40.20.", f"It was {HOST}."),
        ("from 192.168.40.20:443, then", f"from {HOST}:443, then"),
        ("host192.168.40.20x", f"host{HOST}x"),
        ("192.168.40.20/32", f"{HOST}/32"),
        ("ab:192.168.40.20", f"ab:{HOST}"),
        ("a:b:192.168.40.20", f"a:b:{HOST}"),
        ("::ffff:192.168.40.20", HOST),
        ("2001:db8:40::25", SIX),
        ("2001:DB8:40:0::25.", f"{SIX}."),
        ("[2001:db8:40::25]:443", f"[{SIX}]:443"),
        ("to 2001:db8:40::25: then", f"to {SIX}: then"),
        ("203.0.113.9 and 198.51.100.1", "203.0.113.9 and 198.51.100.1"),
        (
            "14:05 to 14:39:10, version 1.2.3.4.5, 300.1.1.1",
            "14:05 to 14:39:10, version 1.2.3.4.5, 300.1.1.1",
        ),
        ("2026-03-03T14:10:00+13:00", "2026-03-03T14:10:00+13:00"),
    ],
)
def test_inside_addresses_are_replaced_wherever_they_stand(given_text: str, expected: str) -> None:
    assert NAMES.replaced(given_text, inside) == expected


@given(st.text())
def test_any_text_can_be_looked_through(given_text: str) -> None:
    assert NAMES.replaced(given_text, lambda _: False) == given_text


@pytest.mark.parametrize("module", [text, markdown, html, json_note])
@pytest.mark.parametrize("name", SITUATIONS)
def test_no_format_shows_an_inside_address(name: str, module: object) -> None:
    shown = module.render(compose(SITUATIONS[name](), pseudonyms=NAMES))  # type: ignore[attr-defined]
    assert "192.168.40." not in shown
    assert "2001:db8:40:" not in shown
    assert "pseudonym" in shown


def test_labels_and_outside_addresses_survive() -> None:
    shown = text.render(compose(full_upload(), pseudonyms=NAMES))
    assert f"{HOST} (imaging archive)" in shown
    assert "203.0.113.9" in shown


def test_what_the_client_said_is_covered_too() -> None:
    note = compose(full_upload(reported="192.168.40.20 is slow"), pseudonyms=NAMES)
    assert note.reported == f"{HOST} is slow"
    assert HOST in note.client.told


@pytest.mark.parametrize("mask", [0, 0o022, 0o277], ids=oct)
def test_the_key_file_is_made_once_for_its_owner_alone(tmp_path: Path, mask: int) -> None:
    file = tmp_path / "new" / "key"
    with umask(mask):
        first = Pseudonyms.from_key_file(file)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert len(file.read_bytes()) == 32
    assert [path.name for path in file.parent.iterdir()] == ["key"]
    address = ip_address("192.168.40.20")
    assert Pseudonyms.from_key_file(file).of(address) == first.of(address)
    assert Pseudonyms.from_key_file(tmp_path / "other").of(address) != first.of(address)


def test_the_environment_names_the_key_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FLOWDIAG_KEY_FILE", str(tmp_path / "named"))
    assert default_key_file() == tmp_path / "named"
    Pseudonyms.from_key_file()
    assert (tmp_path / "named").is_file()


def test_without_it_the_key_lies_in_the_users_configuration(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("FLOWDIAG_KEY_FILE", raising=False)
    assert default_key_file() == Path(click.get_app_dir("flowdiag")) / "pseudonyms.key"


def test_a_file_that_is_no_key_is_one_clear_error(tmp_path: Path) -> None:
    file = tmp_path / "key"
    file.write_bytes(b"short")
    with pytest.raises(
        FlowdiagError, match=r"this is no key of pseudonyms: it has 5 octets; expected at least 32"
    ):
        Pseudonyms.from_key_file(file)


def test_a_place_that_cannot_be_used_is_one_clear_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(FlowdiagError, match="the key of the pseudonyms cannot be used"):
        Pseudonyms.from_key_file(tmp_path / "file" / "key")
    with pytest.raises(FlowdiagError, match="Is a directory"):
        Pseudonyms.from_key_file(tmp_path)
    assert os.listdir(tmp_path) == ["file"]
