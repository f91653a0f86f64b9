"""What must hold for any text as a site profile: a profile, or ProfileError whose lines all name the file."""

from __future__ import annotations

from flowdiag.errors import ProfileError
from flowdiag.site.reading import profile_from_text
from tests.fuzz.target import Broken
from tests.hostile import profiles
from tests.site.profiles import GOOD

# The longest line of an error that a person is to read: a key and a value, each cut, and what is allowed.
LONGEST_LINE = 1_000


def read_profile(octets: bytes) -> None:
    """Reads a profile. Raises Broken, or whatever the reader wrongly raises."""
    try:
        profile_from_text(octets.decode("utf-8", "replace"), "site.toml")
    except ProfileError as error:
        for line in str(error).splitlines() or [""]:
            if not line.startswith("site.toml: ") or len(line) > LONGEST_LINE:
                raise Broken(
                    f"an error that does not name the file, or is too long: {line[:200]!r}"
                ) from error


def seeds() -> dict[str, bytes]:
    """Profiles to start from: one of all keys, and beginnings of those made to hurt."""
    made = {"good": GOOD.encode()}
    for maker in (profiles.digits, profiles.dates, profiles.endless_numbers, profiles.binary):
        made[maker.__name__] = maker(1_000)[:4_000]
    return made
