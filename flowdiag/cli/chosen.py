"""What a command is asked about where it is not typed: the site by its name, the store by flowdiag.toml."""

from __future__ import annotations

import os
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

import click
from msgspec import Struct

from flowdiag.errors import FlowdiagError, UsageError

Decorated = TypeVar("Decorated", bound=Callable[..., Any])

# A store holds months, and a complaint is about today.
USUAL_FROM: Final = "last day"
MOST_EXPORTERS: Final = 8  # that an error names
# Set by the shell's completion function; bash takes what it gets as it would be typed, other shells quote it themselves.
_COMPLETING: Final = "_FLOWDIAG_COMPLETE"
_BASH: Final = "bash_complete"


class Chosen(Struct, frozen=True):
    """exports: as given, or the store; site: the profile's path or None; usual_from: where the time asked about begins if
    nobody says, None for all of the exports."""

    exports: tuple[str, ...]
    site: Path | None
    usual_from: str | None = None


def site_name_options(function: Decorated) -> Decorated:
    """--site-name and --config, passed as `site_name` (text or None) and `config` (a path or None)."""
    function = config_option(function)
    return click.option(
        "--site-name",
        metavar="NAME",
        shell_complete=_complete,
        help="The site by its name or a part of it, among the profiles that flowdiag.toml names.",
    )(function)


def config_option(function: Decorated) -> Decorated:
    """--config, passed as `config`: a path or None."""
    return click.option(
        "--config",
        metavar="FILE",
        type=click.Path(path_type=Path),
        help="The flowdiag.toml that names store and sites; searched in the usual folders otherwise.",
    )(function)


def store_options(function: Decorated) -> Decorated:
    """--store, --sites and --config, passed as `store` (text or None), `folder` and `config` (a path or None)."""
    function = config_option(function)
    function = click.option(
        "--sites",
        "folder",
        metavar="FOLDER",
        type=click.Path(path_type=Path),
        help="The site profiles; those in a folder below it belong to one client.",
    )(function)
    return click.option("--store", metavar="DIR", help="The store: a folder, or an address such as s3://…")(
        function
    )


def required_site(site: Path | None) -> Path:
    """Raises UsageError where there is none."""
    if site is None:
        raise UsageError("--site is missing", expected="--site SITE.toml or --site-name NAME")
    return site


def chosen(exports: tuple[str, ...], site: Path | None, site_name: str | None, config: Path | None) -> Chosen:
    """The profile of --site or --site-name, and the exports, which are the store's flows of that site where none are given.

    Raises UsageError for what is missing or contradicts, ConfigError and ProfileError for files that cannot be used.
    """
    from flowdiag.site.config import find_config
    from flowdiag.site.folder import site_named

    if site is not None and site_name is not None:
        raise UsageError("--site-name would contradict --site", advice="give one of them")
    if site_name is not None:
        site = site_named(find_config(config).need_sites(), site_name)
    if exports:
        return Chosen(exports, site)
    if site is None:
        raise UsageError(
            "EXPORT is missing",
            expected="an export, or --site-name where flowdiag.toml names a store and sites",
        )
    store = find_config(config).need_store()
    _refuse_everybodys_flows(store, site)
    return Chosen((store,), site, USUAL_FROM)


def store_and_sites(store: str | None, sites: Path | None, config: Path | None) -> tuple[str, Path]:
    """Both as given, or as flowdiag.toml names them. Raises ConfigError where it does not."""
    from flowdiag.site.config import find_config

    if store is not None and sites is not None:
        return store, sites
    found = find_config(config)
    return store or found.need_store(), sites or found.need_sites()


def _refuse_everybodys_flows(store: str, site: Path) -> None:
    """Raises UsageError for a site that names no exporters of its own where the store holds those of several."""
    from flowdiag.collector.store.finding import find_files
    from flowdiag.collector.store.opening import open_backend
    from flowdiag.site.reading import read_profile

    if read_profile(site).site.exporters:
        return
    found = sorted({file.partition.exporter for file in find_files(open_backend(store))})
    if len(found) > 1:
        from flowdiag.addresses import to_text

        named = ", ".join(map(to_text, found[:MOST_EXPORTERS])) + (
            ", ..." if len(found) > MOST_EXPORTERS else ""
        )
        raise UsageError(
            f"site.exporters is missing, and the store holds flows of {len(found)} exporters",
            file=str(site),
            expected=f"the site's own of {named}",
        )


def _complete(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    """The names of sites that have what is typed in them, for the shell; none where they cannot be found out."""
    from flowdiag.site.config import find_config
    from flowdiag.site.folder import named_sites, with_part

    try:
        sites = named_sites(find_config(ctx.params.get("config")).need_sites())
    except FlowdiagError:
        return []
    names = sorted({site.name for site in with_part(sites, incomplete) if site.name.isprintable()})
    if os.environ.get(_COMPLETING) == _BASH:
        return [shlex.quote(name) for name in names]
    return names
