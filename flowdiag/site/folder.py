"""A folder of site profiles, and the site in it that a part of a name means."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from difflib import get_close_matches
from pathlib import Path
from typing import Final

from msgspec import Struct

from flowdiag.errors import ProfileError, UsageError
from flowdiag.site.reading import MAX_FILE
from flowdiag.site.values import shown

SUFFIX: Final = ".toml"
MOST_SITES: Final = 100_000
MOST_LISTED: Final = 20  # sites that an error lists


class NamedSite(Struct, frozen=True):
    """name: of the site; file: its profile; below: the profile's path below the folder, which tells sites of one name
    apart."""

    name: str
    file: Path
    below: str


def profile_files(folder: str | Path) -> list[Path]:
    """The profiles in a folder and below it, in order; hidden ones are passed over.

    Raises ProfileError if there is no folder, no profile in it, or more than MOST_SITES.
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
    return files


def named_sites(folder: str | Path) -> list[NamedSite]:
    """The sites of a folder in order of their names; files in which no name can be read are passed over.

    Raises ProfileError as profile_files() does.
    """
    sites = []
    for file in profile_files(folder):
        name = _name_in(file)
        if name is not None:
            sites.append(NamedSite(name, file, file.relative_to(folder).as_posix()))
    return sorted(sites, key=lambda site: (_plain(site.name), site.below))


def with_part(sites: list[NamedSite], part: str) -> list[NamedSite]:
    """The sites that a name or a part of one may mean, whatever its letters' case: those of just that name if there are any,
    else those that have it in their name."""
    wanted = _plain(part)
    return [site for site in sites if _plain(site.name) == wanted] or [
        site for site in sites if wanted in _plain(site.name)
    ]


def site_named(folder: str | Path, part: str) -> Path:
    """The profile of the one site that a part of a name means.

    Raises UsageError that lists the sites if it means none or several, ProfileError as profile_files() does.
    """
    sites = named_sites(folder)
    found = with_part(sites, part) if part.strip() else []
    if len(found) == 1:
        return found[0].file
    if found:
        raise UsageError(
            f"--site-name: {shown(part)} is part of {len(found)} names:\n" + "\n".join(_listed(found)) + "\n"
            "write more of the name, or give the profile by --site"
        )
    close = set(
        get_close_matches(_plain(part), [_plain(site.name) for site in sites], MOST_LISTED, cutoff=0.5)
    )
    likely = [site for site in sites if _plain(site.name) in close] or sites
    raise UsageError(
        f"--site-name: no site in {folder} has {shown(part)} in its name; there are:\n"
        + "\n".join(_listed(likely))
    )


def _listed(sites: list[NamedSite]) -> Iterator[str]:
    for site in sites[:MOST_LISTED]:
        yield f"  {site.name} ({site.below})"
    if len(sites) > MOST_LISTED:
        yield f"  and {len(sites) - MOST_LISTED} more"


def _plain(name: str) -> str:
    return " ".join(name.casefold().split())


def _name_in(file: Path) -> str | None:
    """The site's name in a profile, one line; None where there is none to read."""
    try:
        with file.open("rb") as stream:
            site = tomllib.loads(stream.read(MAX_FILE).decode("utf-8-sig")).get("site")
    except (OSError, ValueError, RecursionError):
        return None
    name = site.get("name") if isinstance(site, dict) else None
    return " ".join(name.split()) if isinstance(name, str) and name.strip() else None
