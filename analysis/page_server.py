"""The page's server: its address, and the thread in which `run` keeps it beside logger and analysis.

In `run` the page must not hold up the recording: it has a thread and an event loop of its own, follows the journal as a
second reader (`analysis/page_rigs.py`, in one more thread, most of the time asleep), and shares no object with the
daemon. What a request breaks, breaks that request; when the server itself ends, the process is told.
"""

from __future__ import annotations

import asyncio
import socket
import threading
import time
from importlib.util import find_spec
from typing import TYPE_CHECKING, Final

from analysis.page_guard import is_loopback
from logger.errors import PlainError

if TYPE_CHECKING:
    from analysis.page_door import DoorServer
    from analysis.page_rigs import Rigs

NEEDED: Final = ("fastapi", "uvicorn", "python_multipart")
WAITING: Final = 64
"""So many may stand before the door; the system holds them for us."""
MOST_TASKS: Final = 128
"""Requests that are worked on, with those whose visitor has gone; more are told to come again (503)."""
LAST_ANSWERS_s: Final = 2
ENDING_s: Final = 10.0


def missing_words() -> str | None:
    """What is missing for a page on this machine, and how to get it; None: nothing."""
    missing = [name for name in NEEDED if find_spec(name) is None]
    return f"the page needs {', '.join(missing)}: pip install '.[page]'" if missing else None


def listening_on(host: str, port: int, token_sha256: str | None) -> socket.socket:
    """Take an address (port 0: a free one). Others must not be able to reach it unless there is a token."""
    if not is_loopback(host) and token_sha256 is None:
        raise PlainError(
            f"page on {host}: others can reach this, so the settings need [page] token_sha256 "
            "(cornerhold page --make-token)"
        )
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        listening = socket.socket(family, kind, protocol)
    except OSError as error:
        raise PlainError(f"can't listen on {host} port {port}: {error.strerror or error}") from None
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
        # at once, so that whoever is told the address may come before the server is ready
        listening.listen(WAITING)
    except OSError as error:
        listening.close()
        raise PlainError(
            f"can't listen on {host} port {port}: {error.strerror or error} ([page] port names another one)"
        ) from None
    return listening


def address_of(listening: socket.socket) -> str:
    """The address as a browser takes it."""
    name, number = listening.getsockname()[:2]
    return f"http://{f'[{name}]' if ':' in name else name}:{number}/"


def make_server(
    rigs: Rigs, token_sha256: str | None, *, only_loopback: bool, names: tuple[str, ...] = ()
) -> DoorServer:
    """Return a server that does not run yet. `names`: what it is called, for an address that others can reach."""
    import uvicorn  # noqa: PLC0415  an optional extra, as what uses it

    from analysis.page import LARGEST_HEAD, make_app  # noqa: PLC0415
    from analysis.page_door import DoorServer  # noqa: PLC0415
    from analysis.page_guard import Guard  # noqa: PLC0415
    from analysis.page_sessions import Sessions, sessions_path  # noqa: PLC0415

    first = next((one.path for one in rigs.watched.values() if one.refused is None), None)
    sessions = Sessions(None if token_sha256 is None or first is None else sessions_path(first))
    guard = Guard(token_sha256, time.monotonic, sessions)
    app = make_app(rigs, guard, only_loopback=only_loopback, names=names)
    config = uvicorn.Config(
        app,
        http="h11",  # pure Python, and what the door is made for; no other is taken because it happens to be there
        ws="none",
        log_config=None,  # its lines go where ours go
        log_level="warning",
        access_log=False,
        server_header=False,
        lifespan="on",
        h11_max_incomplete_event_size=LARGEST_HEAD,
        limit_concurrency=MOST_TASKS,
        timeout_graceful_shutdown=LAST_ANSWERS_s,
    )
    return DoorServer(config)


class PageThread:
    """A page in a thread of its own."""

    def __init__(self, server: DoorServer, listening: socket.socket) -> None:
        """Nothing runs yet."""
        self._server = server
        self._listening = listening

    async def run(self) -> None:
        """Serve until cancelled; return or raise only if the page ends by itself."""
        loop = asyncio.get_running_loop()
        ended: asyncio.Future[BaseException | None] = loop.create_future()

        def tell(error: BaseException | None) -> None:
            if not ended.done():
                ended.set_result(error)

        def serve() -> None:
            error: BaseException | None = None
            try:
                asyncio.run(self._server.serve(sockets=[self._listening]))
            except BaseException as caught:  # noqa: BLE001  handed to whoever waits, whatever it is
                error = caught
            if not loop.is_closed():
                loop.call_soon_threadsafe(tell, error)

        # daemon: not even a request that hangs holds up the end of the logging
        thread = threading.Thread(target=serve, name="page", daemon=True)
        with self._listening:
            thread.start()
            try:
                error = await asyncio.shield(ended)
            except asyncio.CancelledError:
                self._server.should_exit = True
                await asyncio.wait((ended,), timeout=ENDING_s)
                raise
        if error is not None:
            raise error
