"""A watch beside a recording: when it fails on the way it is told and begun again, and the recording goes on.

A damaged file must not end the recording. The failure is not silent either: the log says it at once, the broker says
`offline` of the analysis, the service manager's status names it, and if it lasts, people get a letter.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from typing import TYPE_CHECKING, Any, Final

from analysis.several import LOOK_s, WORTH_A_LETTER_s, send_letter
from logger.errors import cause_words
from logger.notice import duration_text
from logger.outage import raise_if_cancelled

if TYPE_CHECKING:
    from analysis.service import Service

_log = logging.getLogger(__name__)

FIRST_WAIT_s: Final = 1.0
LONGEST_WAIT_s: Final = 20.0
"""Shorter than the patience of the pulse."""


async def keep_watching(service: Service, stop: asyncio.Event, rig: str) -> dict[str, Any] | None:
    """Watch until `stop`; return the last findings.

    Raises what fails before there ever was a watch, and what fails still when the stop comes.
    """
    trouble = _Trouble(service, rig)
    wait_s = FIRST_WAIT_s
    while True:
        service.watching = False
        looking = asyncio.create_task(trouble.see_the_end())
        try:
            return await service.run(stop)
        except Exception as error:
            raise_if_cancelled()
            if not trouble.ever and not service.watching:
                raise
            _log.debug("where it happened", exc_info=True)
            if not trouble.reason:
                wait_s = FIRST_WAIT_s
            await trouble.failed(cause_words(error))
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), wait_s)
            if stop.is_set():
                raise
            wait_s = min(2.0 * wait_s, LONGEST_WAIT_s)
        finally:
            looking.cancel()
            await asyncio.gather(looking, return_exceptions=True)


class _Trouble:
    """Why there is no watch, since when, and who was told."""

    def __init__(self, service: Service, rig: str) -> None:
        self._service, self._rig = service, rig
        self.ever = False
        """There was a watch."""
        self.reason = ""
        self._since_s = 0.0
        self._written = False

    async def failed(self, reason: str) -> None:
        """Tell it, once for each reason; by letter when it lasts."""
        now_s = asyncio.get_running_loop().time()
        self.ever = True
        if not self.reason:
            self._since_s, self._written = now_s, False
        if reason != self.reason:
            _log.error("NOT WATCHED: %s (the recording goes on)", reason)
        self.reason = reason
        self._service.fail(reason)
        lasted_s = now_s - self._since_s
        if not self._written and lasted_s >= WORTH_A_LETTER_s:
            self._written = True
            body = f"No analysis watches this rig's soak since {duration_text(lasted_s)} ago: {reason}"
            await self._write(f"{self._rig}: NOT WATCHED", body)

    async def see_the_end(self) -> None:
        """Wait until it is watched again, and say so."""
        if not self.reason:
            return
        while not self._service.watching:  # noqa: ASYNC110  the service tells nobody
            await asyncio.sleep(LOOK_s)
        # one that fails with its first reading is not watched
        await asyncio.sleep(LOOK_s)
        lasted = duration_text(asyncio.get_running_loop().time() - self._since_s)
        self.reason = ""
        self._service.fail("")
        _log.info("watched again, after %s", lasted)
        if self._written:
            await self._write(f"{self._rig}: watched again", f"It was not watched for {lasted}.")

    async def _write(self, title: str, body: str) -> None:
        settings = self._service.settings
        if settings is None or settings.notify is None:
            _log.warning("there is nobody to tell: no [notify] in the settings")
        else:
            await send_letter(settings.notify, title, body)
