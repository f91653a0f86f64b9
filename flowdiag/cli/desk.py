"""`flowdiag desk`: the web page for people who do not use a terminal."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import click

from flowdiag.cli.chosen import store_and_sites, store_options
from flowdiag.errors import FlowdiagError

DEFAULT_LISTEN: Final = "127.0.0.1:8080"
PACKAGES: Final = ("argon2", "authlib", "httpx", "psutil", "python_multipart", "starlette", "uvicorn")
DEMO_FOLDER: Final = "flowdiag-desk-demo"
_FILE: Final = click.Path(dir_okay=False, path_type=Path)


def _hash_password(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    if not wanted:
        return
    from flowdiag.desk.access.passwords import LONGEST, SHORTEST, hashed

    while True:
        password: str = click.prompt("Password", hide_input=True, confirmation_prompt=True, err=True)
        if SHORTEST <= len(password) <= LONGEST:
            break
        click.echo(f"A password has {SHORTEST} to {LONGEST} characters.", err=True)
    click.echo(f'password = "{hashed(password)}"')
    ctx.exit()


def _new_token(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    if not wanted:
        return
    from flowdiag.desk.access.tokens import digest, new_token

    token = new_token()
    click.echo(
        f"The token, for the program; it is shown this once:\n{token}\nFor [[token]] of the access file:",
        err=True,
    )
    click.echo(f'sha256 = "{digest(token)}"')
    ctx.exit()


@click.command("desk")
@store_options
@click.option(
    "--listen", default=DEFAULT_LISTEN, show_default=True, metavar="HOST:PORT", help="Where it listens."
)
@click.option(
    "--access",
    metavar="FILE.toml",
    type=_FILE,
    help="Who may use it: accounts, tokens, OpenID Connect. Without it, loopback alone and one sign-in link.",
)
@click.option(
    "--host", "hosts", multiple=True, metavar="NAME", help="A name by which browsers ask for it; repeatable."
)
@click.option(
    "--certificate", metavar="FILE", type=_FILE, help="Serve by TLS with this certificate chain (PEM)."
)
@click.option("--key", metavar="FILE", type=_FILE, help="The certificate's private key (PEM).")
@click.option(
    "--behind-proxy",
    is_flag=True,
    help="A proxy on this machine ends TLS and says by X-Forwarded-For who asks.",
)
@click.option(
    "--state",
    metavar="FOLDER",
    type=click.Path(file_okay=False, path_type=Path),
    help="Where notes and the audit log are kept; inside a store that is a folder by default.",
)
@click.option(
    "--demo",
    metavar="[FOLDER]",
    is_flag=False,
    flag_value=DEMO_FOLDER,
    type=click.Path(path_type=Path),
    help=f"Serve an invented provider of 12 sites, made in FOLDER ({DEMO_FOLDER} by default) up to the present minute.",
)
@click.option(
    "--hash-password",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_hash_password,
    help="Ask for a password, print the line for the access file, and end.",
)
@click.option(
    "--new-token",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_new_token,
    help="Print a new token for a program and the line for the access file, and end.",
)
def command(
    store: str | None,
    folder: Path | None,
    config: Path | None,
    listen: str,
    state: Path | None,
    demo: Path | None,
    **given: Any,
) -> None:
    """Serve the desk: find a site, ask, read the note, look closer.

    \b
    Example:
      flowdiag desk --demo
      flowdiag desk --store flows --sites sites/
    """
    _need_its_packages()
    from contextlib import nullcontext

    from flowdiag.desk.demo import going_on
    from flowdiag.desk.server import serve
    from flowdiag.desk.settings import Settings, listening, usual_state

    host, port = listening(listen)
    if demo is not None:
        store, folder, state = demo_settings(demo, store, folder, config, state)
    else:
        store, folder = store_and_sites(store, folder, config)
    settings = Settings(
        store=store, sites=folder, state=state or usual_state(store), host=host, port=port, **given
    )
    with nullcontext() if demo is None else going_on(demo):
        serve(settings)


def _need_its_packages() -> None:
    """Raises FlowdiagError where the packages are missing that a desk alone needs."""
    from importlib.util import find_spec

    if any(find_spec(package) is None for package in PACKAGES):
        raise FlowdiagError(
            "a desk needs more packages than the other commands",
            advice='install them with: pip install "flowdiag[desk]"',
        )


def demo_settings(
    demo: Path, store: str | None, folder: Path | None, config: Path | None, state: Path | None
) -> tuple[str, Path, Path]:
    """Store, profiles and state of the demo in a folder, which is made if need be. Raises UsageError."""
    import time

    from flowdiag.cli.progress import progress_bar
    from flowdiag.desk.demo import PROFILES, STATE, STORE, prepare_demo
    from flowdiag.errors import UsageError

    if store is not None or folder is not None or config is not None:
        raise UsageError(
            "--demo brings a store and sites of its own", advice="leave out --store, --sites and --config"
        )
    click.echo(f"An invented provider of 12 sites is made in {demo}.", err=True)
    with progress_bar(quiet=False, what="making up sites", counted=True) as progress:
        prepare_demo(demo, time.time_ns() // 1_000_000, progress)
    click.echo(
        "Its sites go on for an hour from when they were made; after that, end the desk and start it again: they are made anew.",
        err=True,
    )
    return str(demo / STORE), demo / PROFILES, state or demo / STATE
