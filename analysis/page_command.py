"""`cornerhold page`: how the soaks stand, for a browser."""

from __future__ import annotations

import asyncio
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.errors import PlainError

if TYPE_CHECKING:
    import socket

    from analysis.page_door import DoorServer
    from analysis.page_rigs import Rigs, Watched
    from analysis.rig_files import RigFiles
    from logger.delivery_settings import PageSettings


def page(
    settings_files: Annotated[
        list[Path] | None,
        typer.Option("--settings", "-s", help="Settings (TOML), once for each rig, or a folder of them."),
    ] = None,
    journals: Annotated[
        list[Path] | None,
        typer.Option("--journal", "-j", help="Its journal, if it has no settings, or they don't say."),
    ] = None,
    host: Annotated[
        str | None,
        typer.Option(help="Address to listen on; else the settings' [page] host, else 127.0.0.1."),
    ] = None,
    port: Annotated[
        int | None,
        typer.Option(
            min=0, max=65535, help="Else the settings' [page] port, else a free one (0), which is said."
        ),
    ] = None,
    make_token: Annotated[
        bool,
        typer.Option("--make-token", help="Make a token, say it and its line for the settings, and end."),
    ] = False,
) -> None:
    """Serve a page that says how every rig's soak stands, until stopped (Ctrl-C or SIGTERM, exit 0).

    It only looks, beside logger and analysis; it writes who has acknowledged an alarm and its own sessions. On this
    computer's own addresses it needs no token. On any other it refuses to start unless the settings (the first file with
    a [page]) have one: `[page] token_sha256 = "…"`, made by --make-token. Put a TLS front before it. For one rig,
    `cornerhold run` serves it, too.

    Example: cornerhold page --settings bay-1.toml --settings bay-2.toml --port 8460
    """
    if make_token:
        from analysis.page_guard import new_token  # noqa: PLC0415

        token, hashed = new_token()
        typer.echo(f'token: {token}\n\n[page]\ntoken_sha256 = "{hashed}"')
        return
    from analysis.live_command import log_to_stderr  # noqa: PLC0415
    from analysis.page_server import listening_on, missing_words  # noqa: PLC0415

    missing = missing_words()
    if missing is not None:
        raise PlainError(missing)
    watched, own = _watched(settings_files or [], journals or [])
    host = host or own.host
    listening = listening_on(host, own.port if port is None else port, own.token_sha256)
    log_to_stderr()
    with listening:
        _serve(watched, replace(own, host=host), listening)


def _watched(settings_files: list[Path], journals: list[Path]) -> tuple[tuple[Watched, ...], PageSettings]:
    """Return the rigs, and the page's own settings: the first that have a token, else the first."""
    from analysis.page_rigs import Watched  # noqa: PLC0415
    from analysis.rig_files import rig_files  # noqa: PLC0415
    from logger.delivery_settings import PageSettings  # noqa: PLC0415
    from logger.journal_reader import require_journal  # noqa: PLC0415

    found: list[Watched] = []
    pages: list[PageSettings] = []
    unread: list[tuple[RigFiles, PlainError]] = []
    named = rig_files(settings_files, journals)
    for files in named:
        try:
            settings, path = files.read()
        except PlainError as error:
            if len(named) == 1:
                raise
            unread.append((files, error))
            # one rig's mistake must not take the page from the others
            nowhere = files.journal or Path(f"{files.label}.journal")
            found.append(
                Watched(files.label, nowhere, None, f"{error} (restart the page when it is put right)")
            )
            continue
        if settings is None:
            require_journal(path)
        name = path.name.removesuffix(".journal") if settings is None else settings.rig.name
        found.append(Watched(name, path, settings))
        pages += [] if settings is None or settings.page is None else [settings.page]
    if found and all(one.refused for one in found):
        raise PlainError(found[0].refused or "")
    if not found:
        raise PlainError("nothing to show: name --settings or --journal, once for each rig")
    for files, mistake in unread:
        # whoever set a token must never get a page without one
        if not any(page.token_sha256 for page in pages) and _names_a_token(files.settings_file):
            raise mistake
    pages.append(PageSettings(port=0))
    return with_keys(found), next((one for one in pages if one.token_sha256), pages[0])


def _names_a_token(settings_file: Path | None) -> bool:
    """Whether a settings file that can't be used speaks of a token, as far as can be seen."""
    try:
        return settings_file is not None and b"token_sha256" in settings_file.read_bytes()
    except OSError:
        return True


def with_keys(found: list[Watched]) -> tuple[Watched, ...]:
    """Return the rigs under names that can stand in an address and differ from one another."""
    out: dict[str, Watched] = {}
    for one in found:
        plain = re.sub(r"[^\w.-]", "_", one.key)[:60] or "rig"
        key, number = plain, 1
        while key in out:
            number += 1
            key = f"{plain}-{number}"
        out[key] = replace(one, key=key)
    return tuple(out.values())


async def _serve_and_tell(server: DoorServer, rigs: Rigs, listening: socket.socket) -> None:
    from logger.pulse import beating  # noqa: PLC0415

    async with beating(rigs.progress(), rigs.status):
        await server.serve(sockets=[listening])


def _serve(watched: tuple[Watched, ...], own: PageSettings, listening: socket.socket) -> None:
    from analysis.page_guard import is_loopback  # noqa: PLC0415
    from analysis.page_rigs import Rigs  # noqa: PLC0415
    from analysis.page_server import address_of, make_server  # noqa: PLC0415

    rigs = Rigs(watched)
    server = make_server(
        rigs,
        own.token_sha256,
        only_loopback=is_loopback(listening.getsockname()[0]),
        names=(own.host, *own.names),
    )
    typer.echo(address_of(listening))
    try:
        asyncio.run(_serve_and_tell(server, rigs, listening))
    except KeyboardInterrupt:
        return
    except SystemExit as end:
        if end.code == 143:  # asked to end, and done so
            return
        raise
