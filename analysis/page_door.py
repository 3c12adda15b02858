"""The page's door: how many connections are in at a time, and how long one may keep its place without asking.

The server takes connections one by one and never more than there is room for, so that the files and sockets of whatever
else runs in the process stay free. When all places are taken, somebody who has only waited must go: the one who has
waited longest, of the address that has most of them waiting. Whoever is being answered stays. So a crowd of silent
connections shuts nobody else out, and a crowd from one address hardly touches those from another.

Whoever waits has ASKING_s for a whole request, however he spreads its bytes, and ANSWERING_s to take the answer.
"""

from __future__ import annotations

import asyncio
import errno
import resource
from collections import Counter
from typing import TYPE_CHECKING, Any, Final

import h11
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from analysis.page_log import log_seldom

if TYPE_CHECKING:
    import socket

MOST: Final = 64
"""Connections at a time; a browser has up to six."""
FEWEST: Final = 4
FREE: Final = 100
"""So many descriptors are left to the rest of the process: ports, journals, broker, database, letters."""
ASKING_s: Final = 10.0
ANSWERING_s: Final = 120.0
GRACE_s: Final = 1.0
"""So long nobody has to go, for his request may be on its way."""
LINGER_s: Final = 1.0
"""So long whoever was answered before he had said everything may read that answer."""
AGAIN_s: Final = 1.0
LOOK_s: Final = 0.05
SWEEP_s: Final = 0.5
SCARCE: Final = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM})
GONE: Final = frozenset({errno.ECONNABORTED, errno.EPROTO, errno.EPERM, errno.ECONNRESET, errno.EINTR})

log = log_seldom()


def places(descriptors: int) -> int:
    """How many connections there are places for, in a process that may have so many descriptors.

    >>> [places(descriptors) for descriptors in (20_000, 256, 64)]
    [64, 64, 4]
    """
    return max(FEWEST, min(MOST, descriptors - FREE))


class Connection(H11Protocol):
    """One connection: since when it waits to be asked, or is being answered."""

    def __init__(self, door: Door, **words: Any) -> None:
        """It enters through a door and is not made yet."""
        super().__init__(**words)
        self.door = door
        self.answering = False
        self.since_s = self.loop.time()

    @property
    def address(self) -> str:
        """Where it comes from."""
        return self.client[0] if self.client else ""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as its base
        """Enter."""
        super().connection_made(transport)
        self.door.inside.add(self)

    def connection_lost(self, exc: Exception | None) -> None:
        """Leave."""
        self.door.inside.discard(self)
        super().connection_lost(exc)
        self._unset_keepalive_if_required()  # its timer would hold all of it for as long

    def handle_events(self) -> None:
        """Take what was heard; with the last byte of a request its answer begins."""
        super().handle_events()
        # a request that waits behind another one is answered within the time of the first
        if not self.answering and self.cycle is not None:
            self.answering = not self.cycle.more_body and not self.cycle.response_complete
            if self.answering:
                self.since_s = self.loop.time()

    def on_response_complete(self) -> None:
        """Wait for the next request."""
        self.answering = False
        self.since_s = self.loop.time()
        super().on_response_complete()
        if self.conn.their_state is h11.SEND_BODY and not self.transport.is_closing():
            # refused before all was said: nobody reads the rest
            self.flow.pause_reading()
            self.loop.call_later(LINGER_s, self.transport.close)

    def hang_up(self) -> None:
        """Go, at once."""
        self.door.inside.discard(self)
        self.transport.abort()


class Door:
    """Who is in."""

    def __init__(self, most: int) -> None:
        """Nobody is."""
        self.most = most
        self.inside: set[Connection] = set()

    async def one_place(self) -> None:
        """Wait until there are no more in than there is room for; somebody may have to go for it."""
        while len(self.inside) > self.most:
            going = self._going()
            if going is None:
                await asyncio.sleep(LOOK_s)
                continue
            log.warning(
                "%d connections are all that there is room for; who asks nothing is hung up on (%s among them)",
                self.most,
                going.address,
            )
            going.hang_up()

    def _going(self) -> Connection | None:
        """Who has to go: the longest waiting of the address with most who wait."""
        now_s = asyncio.get_running_loop().time()
        waiting = [one for one in self.inside if not one.answering and now_s - one.since_s >= GRACE_s]
        crowds = Counter(one.address for one in waiting)
        return max(waiting, key=lambda one: (crowds[one.address], now_s - one.since_s), default=None)

    async def sweep(self) -> None:
        """Hang up on whoever takes too long, until cancelled."""
        loop = asyncio.get_running_loop()
        while True:
            await asyncio.sleep(min(SWEEP_s, ASKING_s))
            now_s = loop.time()
            for one in tuple(self.inside):
                if now_s - one.since_s >= (ANSWERING_s if one.answering else ASKING_s):
                    one.hang_up()


class DoorServer(uvicorn.Server):
    """A server that takes connections through the door instead of as they come."""

    def __init__(self, config: uvicorn.Config) -> None:
        """Nothing runs yet."""
        super().__init__(config)
        soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
        self.door = Door(places(soft) if soft != resource.RLIM_INFINITY else MOST)
        self._tasks: list[asyncio.Task[None]] = []

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to take connections."""
        await super().startup(sockets=[])
        loop = asyncio.get_running_loop()
        self._tasks = [loop.create_task(self._take(one), name="page: accept") for one in sockets or []]
        self._tasks.append(loop.create_task(self.door.sweep(), name="page: sweep"))

    async def on_tick(self, counter: int) -> bool:
        """Every tenth of a second. A door that nobody keeps any more ends the server."""
        for task in self._tasks:
            if task.done():
                task.result()
        return await super().on_tick(counter)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Take nobody any more, answer the rest."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await super().shutdown(sockets=sockets)

    async def _take(self, listening: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        listening.setblocking(False)
        while True:
            await self.door.one_place()
            try:
                line, _ = await loop.sock_accept(listening)
            except OSError as error:
                if error.errno in GONE:  # between knocking and being let in
                    continue
                if error.errno not in SCARCE:
                    raise
                log.warning("can't take a connection: %s; trying again", error.strerror)
                await asyncio.sleep(AGAIN_s)
                continue
            try:
                await loop.connect_accepted_socket(self._connection, line)
            except OSError:  # gone again
                line.close()

    def _connection(self) -> Connection:
        return Connection(
            self.door,
            config=self.config,
            server_state=self.server_state,
            app_state=self.lifespan.state,
            _loop=asyncio.get_running_loop(),
        )
