"""`cornerhold page`: how the soaks stand, for a browser."""

from __future__ import annotations

import re
from importlib.util import find_spec
from pathlib import Path  # noqa: TC003  typer reads the annotations when the program runs
from typing import TYPE_CHECKING, Annotated

import typer

from logger.errors import PlainError

if TYPE_CHECKING:
    import socket

    from analysis.page_rigs import Watched


def page(
    settings_files: Annotated[
        list[Path] | None,
        typer.Option("--settings", "-s", help="Settings (TOML) of a rig; once for each rig."),
    ] = None,
    journals: Annotated[
        list[Path] | None, typer.Option("--journal", "-j", help="Or a journal; once for each rig.")
    ] = None,
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535, help="0: a free one, which is said.")] = 0,
    make_token: Annotated[
        bool,
        typer.Option("--make-token", help="Make a token, say it and its line for the settings, and end."),
    ] = False,
) -> None:
    """Serve a page that says how every rig's soak stands, until stopped (Ctrl-C or SIGTERM, exit 0).

    It only looks, beside logger and analysis; the one thing that it writes is who has acknowledged an alarm. On this
    computer's own addresses it needs no token. On any other it refuses to start unless the first settings file has one:
    `[page] token_sha256 = "…"`, made by --make-token. Put a TLS front before it.

    Example: cornerhold page --settings bay-1.toml --settings bay-2.toml --port 8460
    """
    if make_token:
        from analysis.page_guard import new_token  # noqa: PLC0415

        token, hashed = new_token()
        typer.echo(f'token: {token}\n\n[page]\ntoken_sha256 = "{hashed}"')
        return
    missing = [name for name in ("fastapi", "uvicorn", "python_multipart") if find_spec(name) is None]
    if missing:
        raise PlainError(f"the page needs {', '.join(missing)}: pip install '.[page]'")
    from analysis.page_guard import is_loopback  # noqa: PLC0415

    watched, token_sha256 = _watched(settings_files or [], journals or [])
    if not is_loopback(host) and token_sha256 is None:
        raise PlainError(
            f"--host {host}: others can reach this, so the settings need [page] token_sha256 "
            "(cornerhold page --make-token)"
        )
    with _listening(host, port) as listening:
        _serve(watched, token_sha256, listening, only_loopback=is_loopback(host))


def _watched(settings_files: list[Path], journals: list[Path]) -> tuple[tuple[Watched, ...], str | None]:
    """Return the rigs and the token's hash."""
    from analysis.page_rigs import Watched  # noqa: PLC0415
    from logger.commands import journal_path  # noqa: PLC0415
    from logger.settings import load_settings  # noqa: PLC0415

    found: list[Watched] = []
    token = None
    for file in settings_files:
        settings = load_settings(file)
        token = token or (None if settings.page is None else settings.page.token_sha256)
        found.append(Watched(settings.rig.name, journal_path(settings), settings))
    found += [Watched(path.name.removesuffix(".journal"), path, None) for path in journals]
    if not found:
        raise PlainError("nothing to show: name --settings or --journal, once for each rig")
    for path in journals:
        if not path.exists():
            raise PlainError(
                f"{path}: there is no such journal: is the logger started, and is this its file?"
            )
    out: dict[str, Watched] = {}
    for one in found:
        plain = re.sub(r"[^\w.-]", "_", one.key)[:60] or "rig"
        key, number = plain, 1
        while key in out:
            number += 1
            key = f"{plain}-{number}"
        out[key] = Watched(key, one.path, one.settings)
    return tuple(out.values()), token


def _listening(host: str, port: int) -> socket.socket:
    import socket  # noqa: PLC0415

    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        listening = socket.socket(family, kind, protocol)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
    except OSError as error:
        raise PlainError(f"can't listen on {host} port {port}: {error.strerror or error}") from None
    return listening


def _serve(
    watched: tuple[Watched, ...], token_sha256: str | None, listening: socket.socket, *, only_loopback: bool
) -> None:
    import time  # noqa: PLC0415

    import uvicorn  # noqa: PLC0415

    from analysis.page import make_app  # noqa: PLC0415
    from analysis.page_guard import Guard  # noqa: PLC0415
    from analysis.page_rigs import Rigs  # noqa: PLC0415

    app = make_app(Rigs(watched), Guard(token_sha256, time.monotonic), only_loopback=only_loopback)
    name, number = listening.getsockname()[:2]
    typer.echo(f"http://{f'[{name}]' if ':' in name else name}:{number}/")
    server = uvicorn.Server(
        uvicorn.Config(app, log_level="warning", access_log=False, server_header=False, lifespan="on")
    )
    try:
        server.run(sockets=[listening])
    except KeyboardInterrupt:
        return
    except SystemExit as end:
        if end.code == 143:  # asked to end, and done so
            return
        raise
