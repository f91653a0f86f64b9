"""The sites that a morning list is of: a folder of profiles, those that cannot be used too, since nobody can tell of them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from msgspec import Struct

from flowdiag.errors import FlowdiagError
from flowdiag.site.catalogue import Catalogue, KnownSite
from flowdiag.site.folder import SUFFIX
from flowdiag.site.profile import Profile


class ReportSite(Struct, frozen=True):
    """place: of its profile below the folder, without suffix; client: as of the account review, the folder below, or the site's
    own name; profile: None where it cannot be used, and fault says why."""

    place: str
    client: str
    profile: Profile | None
    fault: str = ""

    @property
    def name(self) -> str:
        return self.place if self.profile is None else self.profile.site.name


def read_sites(folder: str | Path) -> list[ReportSite]:
    """The sites of a folder in order of their names, then what cannot be used. Raises ProfileError if there is no folder, or
    no profile in it."""
    catalogue = Catalogue(Path(folder))
    return report_sites(catalogue.all(), catalogue.faults, Path(folder))


def report_sites(
    known: Iterable[KnownSite], faults: Iterable[FlowdiagError], folder: Path
) -> list[ReportSite]:
    """Sites of a catalogue, and what is wrong with other profiles of its folder."""
    sites = [ReportSite(site.place, site.client, site.profile) for site in known]
    for fault in faults:
        below = Path(fault.file or "")
        if below.is_relative_to(folder):
            below = below.relative_to(folder)
        place = below.as_posix().removesuffix(SUFFIX)
        client = below.parts[0] if len(below.parts) > 1 else place
        sites.append(ReportSite(place, client, None, str(fault)))
    return sites
