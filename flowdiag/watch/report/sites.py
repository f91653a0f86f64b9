"""The sites that a morning list is of: a folder of profiles, those that cannot be used too, since nobody can tell of them."""

from __future__ import annotations

from pathlib import Path

from msgspec import Struct

from flowdiag.errors import FlowdiagError
from flowdiag.site.folder import profile_files
from flowdiag.site.profile import Profile
from flowdiag.site.reading import read_profile
from flowdiag.watch.report.reasons import Acknowledged


class ReportSite(Struct, frozen=True):
    """place: of its profile below the folder; client: as of the account review, the folder below, or the site's own name;
    profile: None where it cannot be used, and fault says why; acknowledged: what somebody knows of it."""

    place: str
    client: str
    profile: Profile | None
    fault: str = ""
    acknowledged: tuple[Acknowledged, ...] = ()

    @property
    def name(self) -> str:
        return self.place if self.profile is None else self.profile.site.name


def read_sites(folder: str | Path) -> list[ReportSite]:
    """The sites of a folder in order of their files. Raises ProfileError if there is no folder, or no profile in it."""
    sites = []
    for file in profile_files(folder):
        below = file.relative_to(folder)
        profile, fault = None, ""
        try:
            profile = read_profile(file)
        except FlowdiagError as error:
            fault = str(error)
        own = below.as_posix() if profile is None else profile.site.name
        client = below.parts[0] if len(below.parts) > 1 else own
        sites.append(ReportSite(below.as_posix(), client, profile, fault))
    return sites
