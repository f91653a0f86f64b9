"""The sites to review: a folder of profiles.

A profile right in the folder is a client of its own; profiles in a folder below it are the sites of one client, who is
called as that folder is.
"""

from __future__ import annotations

from pathlib import Path

from msgspec import Struct

from flowdiag.aggregator.plan_rates import with_plan_rates
from flowdiag.errors import FlowdiagError
from flowdiag.site.folder import profile_files
from flowdiag.site.profile import Profile
from flowdiag.site.reading import read_profile


class ReviewSite(Struct, frozen=True):
    """file: its profile's place below the folder, which names the site without doubt."""

    client: str
    file: str
    profile: Profile


def read_sites(folder: str | Path) -> tuple[list[ReviewSite], list[FlowdiagError]]:
    """The sites of a folder in order of their files, and what is wrong with profiles that cannot be used.

    Raises ProfileError if there is no folder, or no profile in it that can be used.
    """
    sites: list[ReviewSite] = []
    faults: list[FlowdiagError] = []
    for file in profile_files(folder):
        try:
            profile = with_plan_rates(read_profile(file), str(file))
        except FlowdiagError as error:
            faults.append(error)
            continue
        below = file.relative_to(folder)
        client = below.parts[0] if len(below.parts) > 1 else profile.site.name
        sites.append(ReviewSite(client, below.as_posix(), profile))
    if not sites:
        raise faults[0]
    return sites, faults
