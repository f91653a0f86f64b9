"""Records of variable-length templates, laid out again with fixed widths (RFC 7011 7)."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Final

from flowdiag.collector.decode.templates import VARIABLE, Malformed, Template

KEPT: Final = 64  # octets kept of a variable-length value: names; longer ones are cut


@lru_cache(maxsize=1024)
def fixed_width(template: Template) -> Template:
    """The template with each variable-length field given KEPT octets."""
    if not template.variable:
        return template
    fields = tuple(replace(f, length=KEPT) if f.length == VARIABLE else f for f in template.fields)
    return replace(template, fields=fields)


def fixed_view(template: Template, payload: bytes) -> tuple[bytes, int]:
    """The payload with variable-length values padded or cut to KEPT octets, and the number of records.

    Raises Malformed if a value ends behind its set.
    """
    parts: list[bytes] = []
    at, end, count = 0, len(payload), 0
    lengths = [f.length for f in template.fields]
    while end - at >= template.width:
        for length in lengths:
            if length == VARIABLE:
                if at >= end:
                    raise Malformed("a variable-length value ends behind its set", at)
                length = payload[at]
                at += 1
                if length == 255:
                    length = int.from_bytes(payload[at : at + 2], "big")
                    at += 2
                value = payload[at : at + length][:KEPT].ljust(KEPT, b"\0")
            else:
                value = payload[at : at + length]
            at += length
            if at > end:
                raise Malformed("a value ends behind its set", at)
            parts.append(value)
        count += 1
    return b"".join(parts), count
