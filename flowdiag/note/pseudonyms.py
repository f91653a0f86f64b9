"""Stable keyed pseudonyms for the addresses inside a site, after RFC 6235 section 4.1.4 (from memory).

Prefix-preserving: each bit of an address is flipped or not by a keyed hash of the bits before it, so two
addresses that share exactly their first n bits have pseudonyms that share exactly their first n bits, and no
two addresses get the same one. The bits are written in hexadecimal, network and host apart, which nobody
takes for an address: `inside-5d91e3-7b` (IPv4: 24 and 8 bits), or 16 and 16 digits (IPv6: 64 and 64 bits).

Limits: who knows some pairs of address and pseudonym learns which prefixes the others share with them.
"""

from __future__ import annotations

import os
import re
import secrets
from collections.abc import Callable
from contextlib import suppress
from ipaddress import IPv4Address, IPv6Address, ip_address, ip_network
from pathlib import Path
from typing import Final

import numpy as np

from flowdiag.addresses import V4_PREFIX
from flowdiag.diagnoser.case import Case
from flowdiag.errors import FlowdiagError
from flowdiag.modes import SECRET_MODE, opened

Address = IPv4Address | IPv6Address
KEY_OCTETS: Final = 32  # as long as SHA-256's output (RFC 2104 section 3)
KEY_FILE_VARIABLE: Final = "FLOWDIAG_KEY_FILE"
KEY_FILE_NAME: Final = "pseudonyms.key"
MARK: Final = "inside-"

_HOST_BITS: Final = {4: 8, 6: 64}
_V4: Final = r"(?<![\d.])\d{1,3}(?:\.\d{1,3}){3}(?!\d)"
_V6: Final = r"(?<![0-9A-Za-z:.])(?:[0-9A-Fa-f]{0,4}:){2,7}[0-9A-Fa-f.]{0,15}"  # may end in a dotted quad
_TOKEN: Final = re.compile(f"{_V6}|{_V4}")
_V4_TOKEN: Final = re.compile(_V4)


class Pseudonyms:
    """key: at least KEY_OCTETS random octets."""

    def __init__(self, key: bytes) -> None:
        self._key = key
        self._known: dict[Address, str] = {}

    @classmethod
    def from_key_file(cls, path: str | Path | None = None) -> Pseudonyms:
        """Pseudonyms of a key file, which is made on first use, readable by its owner alone (mode 0600).

        path: FLOWDIAG_KEY_FILE, or a file in the user's configuration folder, when None. Raises FlowdiagError
        for a file that cannot be read or made, or that holds no key.
        """
        file = Path(path) if path is not None else default_key_file()
        try:
            key = file.read_bytes() if file.exists() else _new_key(file)
        except OSError as error:
            raise FlowdiagError(
                f"the key of the pseudonyms cannot be used: {error.strerror or error}",
                file=str(file),
                advice=f"name another file by {KEY_FILE_VARIABLE}",
            ) from error
        if len(key) < KEY_OCTETS:
            raise FlowdiagError(
                f"this is no key of pseudonyms: it has {len(key)} octets",
                file=str(file),
                expected=f"at least {KEY_OCTETS}",
                advice="remove it to have a new one made; pseudonyms then differ from earlier notes",
            )
        return cls(key)

    def of(self, address: Address) -> str:
        """inside-5d91e3-7b"""
        if address not in self._known:
            self._known[address] = self._made(address)
        return self._known[address]

    def _made(self, address: Address) -> str:
        import hmac

        width = address.max_prefixlen
        value = int(address)
        flips = 0
        for length in range(width):
            # The prefix with its length and family, so that no two prefixes share a message.
            prefix = value >> (width - length)
            message = bytes((address.version, length)) + prefix.to_bytes(16, "big")
            flips = flips << 1 | hmac.digest(self._key, message, "sha256")[0] & 1
        host_bits = _HOST_BITS[address.version]
        flipped = value ^ flips
        network, host = flipped >> host_bits, flipped & ((1 << host_bits) - 1)
        return f"{MARK}{network:0{(width - host_bits) // 4}x}-{host:0{host_bits // 4}x}"

    def replaced(self, text: str, is_inside: Callable[[Address], bool]) -> str:
        """text with every inside address in it replaced, whatever stands around it."""

        def replacement(match: re.Match[str]) -> str:
            token = match[0]
            address, rest = _leading_address(token)
            if address is None and ":" in token:  # not IPv6 after all, but there may be a dotted quad in it
                return _V4_TOKEN.sub(replacement, token)
            if address is None or not is_inside(address):
                return token
            return self.of(address) + rest

        return _TOKEN.sub(replacement, text)


def _leading_address(token: str) -> tuple[Address | None, str]:
    """The address of a token, IPv4-mapped ones as IPv4, and the full stops or colons that follow it."""
    bare = token
    while bare:
        try:
            address: Address = ip_address(bare)
        except ValueError:
            if bare[-1] not in ".:":
                break
            bare = bare[:-1]
            continue
        if isinstance(address, IPv6Address) and address.ipv4_mapped is not None:
            address = address.ipv4_mapped
        return address, token[len(bare) :]
    return None, ""


def inside_of(case: Case) -> Callable[[Address], bool]:
    """Tells the addresses inside the site: in the profile's lan, or the inside end of a record."""
    networks = [ip_network(text, strict=False) for text in case.profile.site.lan]
    flows = case.flows
    hosts = {flows.addresses[index] for index in np.unique(flows.inside[flows.inside >= 0]).tolist()}

    def is_inside(address: Address) -> bool:
        packed = V4_PREFIX + address.packed if address.version == 4 else address.packed
        return packed in hosts or any(address in network for network in networks)

    return is_inside


def default_key_file() -> Path:
    """FLOWDIAG_KEY_FILE, else pseudonyms.key in the user's configuration folder of the platform."""
    named = os.environ.get(KEY_FILE_VARIABLE)
    if named:
        return Path(named)
    import click

    return Path(click.get_app_dir("flowdiag")) / KEY_FILE_NAME


def _new_key(file: Path) -> bytes:
    """Makes the key file; where another process made it meanwhile, that one's key is taken."""
    file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    aside = file.with_name(f".{file.name}.{secrets.token_hex(8)}")
    handle = opened(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, SECRET_MODE)
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(secrets.token_bytes(KEY_OCTETS))
        with suppress(FileExistsError):
            os.link(aside, file)  # unlike a rename, this never replaces a key that is there
    finally:
        aside.unlink(missing_ok=True)
    return file.read_bytes()
