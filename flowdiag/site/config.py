"""flowdiag.toml: where a desk keeps its store and its site profiles, so that nobody has to type it.

It is searched by `--config`, the environment, and the user's and the system's folder for configuration, the first that is
there; not in the current folder, so that what a command does never depends on where it is typed.
"""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Any, Final

from msgspec import Struct

from flowdiag.errors import ConfigError
from flowdiag.site.values import shown

FILE_NAME: Final = "flowdiag.toml"
VARIABLE: Final = "FLOWDIAG_CONFIG"
KEYS: Final = {
    "store": "the flow store: a folder, or an address such as s3://bucket/flows",
    "sites": "the folder of site profiles",
}
SCHEME: Final = "://"  # in the address of a store that is no folder
MAX_FILE: Final = 1 << 16  # octets; two lines are enough
EXAMPLE: Final = 'lines such as store = "/srv/flows" and sites = "/srv/sites"'


class Config(Struct, frozen=True):
    """file: where it stands; store: a folder or an address; sites: a folder; None for what it does not name."""

    file: str
    store: str | None = None
    sites: Path | None = None

    def need_store(self) -> str:
        """Raises ConfigError if the file names none."""
        if self.store is None:
            raise self._lacks("store")
        return self.store

    def need_sites(self) -> Path:
        """Raises ConfigError if the file names none."""
        if self.sites is None:
            raise self._lacks("sites")
        return self.sites

    def _lacks(self, key: str) -> ConfigError:
        return ConfigError(f"names no {key}", file=self.file, expected=f"{key} = {KEYS[key]}")


def config_paths() -> list[Path]:
    """Where flowdiag.toml is searched without --config and FLOWDIAG_CONFIG, in order."""
    import platformdirs  # few commands need it

    folders = (
        platformdirs.user_config_path("flowdiag", appauthor=False, roaming=True),
        platformdirs.site_config_path("flowdiag", appauthor=False),
    )
    return [folder / FILE_NAME for folder in folders]


def find_config(named: Path | None) -> Config:
    """The configuration that is meant. named: the path of --config.

    Raises ConfigError if there is none, or one that cannot be used.
    """
    if named is not None:
        return read_config(named)
    if variable := os.environ.get(VARIABLE):
        return read_config(Path(variable))
    searched = config_paths()
    for path in searched:
        if path.is_file():
            return read_config(path)
    raise ConfigError(
        f"there is no {FILE_NAME}",
        expected=f"{' or '.join(map(str, searched))}, or --config FILE, with {EXAMPLE}",
    )


def read_config(path: Path) -> Config:
    """The configuration in a file; its relative paths begin at the file's folder. Raises ConfigError."""
    file = str(path)
    raw = _parsed(path, file)
    for key, value in raw.items():
        if key not in KEYS:
            raise ConfigError(f"{shown(key)} is no key of it", file=file, expected=" or ".join(KEYS))
        if not isinstance(value, str) or not value.strip():
            raise ConfigError(
                f"{key}: {shown(value)} is not allowed", file=file, expected=f"{KEYS[key]}, in quotes"
            )
    store, sites = raw.get("store"), raw.get("sites")
    return Config(
        file,
        None if store is None else store if SCHEME in store else str(_below(path, store)),
        None if sites is None else _below(path, sites),
    )


def _below(file: Path, text: str) -> Path:
    try:
        return file.parent / Path(text).expanduser()
    except RuntimeError:  # a home folder that is not known
        raise ConfigError(f"{shown(text)} names an unknown home folder", file=str(file)) from None


def _parsed(path: Path, file: str) -> dict[str, Any]:
    try:
        with path.open("rb") as stream:
            content = stream.read(MAX_FILE + 1)
    except FileNotFoundError:
        raise ConfigError("no such file", file=file, expected=f"{FILE_NAME} with {EXAMPLE}") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else None
        raise ConfigError(f"cannot be read: {reason or error}", file=file) from None
    if len(content) > MAX_FILE:
        raise ConfigError(f"has more than {MAX_FILE} octets", file=file, expected=EXAMPLE)
    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:  # not UTF-8, not TOML
        raise ConfigError(f"is not TOML: {error}", file=file, expected=EXAMPLE) from None
