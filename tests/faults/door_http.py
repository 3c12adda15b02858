"""The page's door: the bytes of a request, taken apart as the server does it, and given to the application."""

from __future__ import annotations

import asyncio
import logging
from typing import TYPE_CHECKING, Any

from tests.faults.fuzz import FaultError

if TYPE_CHECKING:
    from pathlib import Path

    from tests.faults.fuzz import Try

MOST_BODY = 2**20


def of_requests(folder: Path) -> Try:
    """An application with one rig that was looked at, and one whose journal is gone."""
    import h11  # noqa: PLC0415  what only this door needs

    from analysis.page import make_app  # noqa: PLC0415
    from analysis.page_guard import Guard, new_token  # noqa: PLC0415
    from analysis.page_rigs import Rigs, Watched  # noqa: PLC0415
    from tests.page_journals import RIG, journal_with_a_leak_alarm  # noqa: PLC0415

    path = journal_with_a_leak_alarm(folder, car="<b>car</b>")
    rigs = Rigs((Watched(RIG, path, None), Watched("gone", folder / "gone.journal", None)))
    token, hashed = new_token()
    session = {}
    now_s = [0.0]
    apps = []
    for known in (None, hashed):
        guard = Guard(known, lambda: now_s[0])
        apps.append(make_app(rigs, guard, only_loopback=known is None))
        session[known] = guard.begin()
    while RIG not in rigs.states:
        rigs.look(RIG)
    rigs.look("gone")
    loop = asyncio.new_event_loop()
    # it writes a line for each form that is none
    logging.getLogger("python_multipart").setLevel(logging.CRITICAL)

    def take(data: bytes) -> str | None:
        # what waits after wrong tokens is another test's
        now_s[0] += 3600.0
        data = data.replace(b"TOKEN", token.encode()).replace(
            b"session=abc", f"session={session[hashed]}".encode()
        )
        connection = h11.Connection(h11.SERVER, max_incomplete_event_size=65_536)
        events: list[Any] = []
        try:
            connection.receive_data(data)
            while not isinstance(event := connection.next_event(), h11.EndOfMessage):
                if event is h11.NEED_DATA or event is h11.PAUSED:
                    return "the server waits for more"
                if isinstance(event, h11.ConnectionClosed):
                    return "the client has gone"
                events.append(event)
        except h11.RemoteProtocolError as error:
            return f"the server refuses it: {' '.join(str(error).split())[:100]}".replace("\x00", "?")
        request, *rest = events
        body = b"".join(bytes(one.data) for one in rest)
        statuses = [loop.run_until_complete(_answered(app, request, body)) for app in apps]
        return f"status {max(statuses)}" if max(statuses) >= 400 else None

    return take


async def _answered(app: Any, request: Any, body: bytes) -> int:
    """Give a request to the application as the server would; return the status. 503 is right where it is meant."""
    from urllib.parse import unquote  # noqa: PLC0415

    raw_path, _, query = request.target.partition(b"?")
    scope = {
        "type": "http", "asgi": {"version": "3.0", "spec_version": "2.3"},
        "http_version": request.http_version.decode(),
        "server": ("127.0.0.1", 8460), "client": ("127.0.0.1", 40000), "scheme": "http", "root_path": "",
        "method": request.method.decode("ascii"), "path": unquote(raw_path.decode("ascii")), "raw_path": raw_path,
        "query_string": query,
        "headers": [(name.lower(), value) for name, value in request.headers], "state": {},
    }  # fmt: skip
    parts = [body[:100], body[100:]]
    statuses: list[int] = []

    async def receive() -> dict[str, Any]:
        if parts:
            return {"type": "http.request", "body": parts.pop(0), "more_body": bool(parts)}
        return {"type": "http.disconnect"}

    async def send(message: dict[str, Any]) -> None:
        if message["type"] == "http.response.start":
            statuses.append(message["status"])
            if any(b"\n" in value or b"\r" in value for pair in message["headers"] for value in pair):
                raise FaultError("a header with a line end in it")

    await app(scope, receive, send)
    if len(statuses) != 1:
        raise FaultError(f"{len(statuses)} answers")
    if statuses[0] >= 500 and not (statuses[0] == 503 and b"gone" in raw_path):
        raise FaultError(f"status {statuses[0]}")
    return statuses[0]
