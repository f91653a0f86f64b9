"""Bounds on what an export can make the decoder keep. Everything from the network is hostile (RFC 7011 11)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

BATCH_ROWS: Final = 2**18  # records that wait for one columnar step: large enough to be fast, about 60 MB


@dataclass(frozen=True)
class Limits:
    """templates: per observation domain (ids are 16 bits; real exporters send dozens).
    domains: observation domains of all sessions. held_sets, held_octets: data sets that wait for a template.
    recent: messages remembered per domain to recognise copies. losses: loss events kept.
    name_octets: an interface or application name (RFC 7011 strings can be 64 KiB).
    names: interface and application names kept.
    """

    templates: int = 4096
    domains: int = 4096
    held_sets: int = 4096
    held_octets: int = 16 * 2**20
    recent: int = 256
    losses: int = 10_000
    name_octets: int = 255
    names: int = 65_536
