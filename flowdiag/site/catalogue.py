"""The sites of a folder of profiles: found by name, label, client or place, and read again when they change.

Facts the design follows:
- a thousand profiles take seconds to read, so one is read again only when its file changed (size and time);
- a site's address in the desk has to stay the same for years, since tickets link to it: it comes from the profile's place
  below the folder and from nothing else.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Iterable
from pathlib import Path
from threading import Lock
from typing import Final

from msgspec import Struct

from flowdiag.errors import FlowdiagError
from flowdiag.site.folder import SUFFIX, profile_files
from flowdiag.site.profile import Profile
from flowdiag.site.reading import read_profile
from flowdiag.site.site_key import site_key

LOOKED_AT_EVERY_S: Final = 5.0  # how soon a changed profile counts


class KnownSite(Struct, frozen=True):
    """key: in addresses of pages; place: of its profile below the folder, without suffix; client: who it belongs to, the
    folder's name, or the site's own; digest: of the profile's octets."""

    key: str
    place: str
    client: str
    file: str
    profile: Profile
    digest: str

    @property
    def name(self) -> str:
        return self.profile.site.name

    @property
    def timezone(self) -> str:
        return self.profile.site.timezone

    @property
    def client_key(self) -> str:
        """In addresses of the client's pages."""
        return site_key(self.client)


class Catalogue:
    """The sites of a folder. faults: what is wrong with profiles that cannot be used."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._known: dict[Path, tuple[tuple[int, int], KnownSite | FlowdiagError]] = {}
        self._sites: dict[str, KnownSite] = {}
        self._words: dict[str, str] = {}
        self.faults: tuple[FlowdiagError, ...] = ()
        self._looked_at = 0.0
        self._lock = Lock()

    def all(self) -> list[KnownSite]:
        """In order of their names."""
        return list(self._current().values())

    def get(self, key: str) -> KnownSite | None:
        return self._current().get(key)

    def of_client(self, key: str) -> list[KnownSite]:
        """All sites of the client whose key it is; none where there is no such client."""
        return [site for site in self.all() if site.client_key == key]

    def find(self, words: str, among: Iterable[KnownSite]) -> list[KnownSite]:
        """Those sites that have each of the words in their name, client, place, labels or exporters; those whose name begins
        with the words come first."""
        wanted = words.casefold().split()
        found = [site for site in among if all(word in self._words.get(site.key, "") for word in wanted)]
        whole = " ".join(wanted)
        return sorted(found, key=lambda site: not site.name.casefold().startswith(whole))

    def _current(self) -> dict[str, KnownSite]:
        with self._lock:
            if time.monotonic() - self._looked_at >= LOOKED_AT_EVERY_S or not self._sites:
                self._look()
                self._looked_at = time.monotonic()
            return self._sites

    def _look(self) -> None:
        """Raises ProfileError as profile_files() does."""
        known: dict[Path, tuple[tuple[int, int], KnownSite | FlowdiagError]] = {}
        for file in profile_files(self._folder):
            try:
                stat = file.stat()
            except OSError:
                continue  # gone since it was listed
            seen = (stat.st_size, stat.st_mtime_ns)
            before = self._known.get(file)
            known[file] = before if before is not None and before[0] == seen else (seen, self._read(file))
        if known == self._known:
            return
        sites = [site for _, site in known.values() if isinstance(site, KnownSite)]
        self.faults = tuple(fault for _, fault in known.values() if isinstance(fault, FlowdiagError))
        self._sites = {
            site.key: site for site in sorted(sites, key=lambda site: (site.name.casefold(), site.place))
        }
        self._words = {site.key: _words(site) for site in sites}
        self._known = known

    def _read(self, file: Path) -> KnownSite | FlowdiagError:
        try:
            profile = read_profile(file)
            digest = hashlib.sha256(file.read_bytes()).hexdigest()
        except FlowdiagError as error:
            return error
        except OSError as error:
            return FlowdiagError(f"cannot be read: {error.strerror or error}", file=str(file))
        below = file.relative_to(self._folder)
        place = below.as_posix().removesuffix(SUFFIX)
        client = below.parts[0] if len(below.parts) > 1 else profile.site.name
        return KnownSite(site_key(place), place, client, str(file), profile, digest)


def _words(site: KnownSite) -> str:
    profile = site.profile
    labels = (label.name for label in profile.label)
    links = (link.name for link in profile.link)
    parts = (site.name, site.client, site.place, *labels, *links, *profile.site.exporters)
    return "\n".join(parts).casefold()
