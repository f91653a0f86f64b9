"""The sites to review: a folder of profiles.

A profile right in the folder is a client of its own; profiles in a folder below it are the sites of one client, who is
called as that folder is.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from flowdiag.errors import FlowdiagError, ProfileError
from flowdiag.site.plan_rates import with_plan_rates
from flowdiag.site.profile import Profile
from flowdiag.site.reading import read_profile

SUFFIX: Final = ".toml"
MOST_SITES: Final = 100_000


@dataclass(frozen=True)
class ReviewSite:
    """file: its profile's place below the folder, which names the site without doubt."""

    client: str
    file: str
    profile: Profile


def read_sites(folder: str | Path) -> tuple[list[ReviewSite], list[FlowdiagError]]:
    """The sites of a folder in order of their files, and what is wrong with profiles that cannot be used.

    Raises ProfileError if there is no folder, or no profile in it that can be used.
    """
    root = Path(folder)
    if not root.is_dir():
        what = "is no folder" if root.exists() else "no such folder"
        raise ProfileError(what, file=str(folder), expected="a folder of site profiles (*.toml)")
    files = sorted(
        path
        for path in root.rglob(f"*{SUFFIX}")
        if path.is_file() and not any(part.startswith(".") for part in path.relative_to(root).parts)
    )
    if not files:
        raise ProfileError(
            "holds no site profiles",
            file=str(folder),
            expected="one TOML file for each site",
            advice='"flowdiag draft EXPORT" proposes one',
        )
    if len(files) > MOST_SITES:
        raise ProfileError(f"holds {len(files)} profiles", file=str(folder), expected=f"at most {MOST_SITES}")
    sites: list[ReviewSite] = []
    faults: list[FlowdiagError] = []
    for file in files:
        try:
            profile = with_plan_rates(read_profile(file), str(file))
        except FlowdiagError as error:
            faults.append(error)
            continue
        below = file.relative_to(root)
        client = below.parts[0] if len(below.parts) > 1 else profile.site.name
        sites.append(ReviewSite(client, below.as_posix(), profile))
    if not sites:
        raise faults[0]
    return sites, faults
