"""What a decoder has done so far beyond taking ordinary data, by what costs time whatever its octets."""

from __future__ import annotations

from typing import NamedTuple


class Work(NamedTuple):
    """Counts since the decoder began.

    domains: observation domains that were new; definitions: of templates, those left out that say again what is known;
    steps: templates with records in each batch; messages: other than of data alone; sets: without a known template.
    """

    domains: int
    definitions: int
    steps: int
    messages: int
    sets: int
