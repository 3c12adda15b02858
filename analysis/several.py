"""One process that watches several rigs: a service each, and somebody who sees that none of them is missing.

A rig that fails (its settings, its journal, its disk) costs the others nothing: its service is begun again, ever less
often. It is not silent either: the log says so at once, the broker says `offline` of its analysis, the service manager's
status names it, and if it lasts, people get a letter.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from analysis.service import RIG, Service
from logger.errors import PlainError
from logger.files import real_path
from logger.notice import duration_text
from logger.pulse import Progress

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from analysis.rig_files import RigFiles
    from analysis.service import View
    from logger.delivery_settings import NotifySettings

log = logging.getLogger(__name__)

FIRST_WAIT_s: Final = 1.0
LONGEST_WAIT_s: Final = 60.0
LOOK_s: Final = 0.5
WORTH_A_LETTER_s: Final = 30.0
"""As long as a silent rig is given before it is `blind`."""
GOOD_s: Final = 10.0
"""A service that has turned for so long is no failing one any more."""
NAMED: Final = 5


@dataclass
class Kept:
    """How it stands with a rig."""

    files: RigFiles
    name: str
    service: Service | None = None
    began_s: float = 0.0
    reason: str | None = None
    """Why it isn't watched."""
    failed_since_s: float = 0.0
    written: bool = False
    """People were told."""
    tries: int = 0
    ended: bool = False

    def turned(self) -> tuple[bool, object]:
        """Whether something must go on here, and a mark that changes when it does: a try that fails counts."""
        return not self.ended, (self.tries, None if self.service is None else self.service.turns)

    def behind(self) -> tuple[bool, object]:
        """Whether its journal has entries that weren't taken, and where its watch is."""
        return (False, None) if self.service is None else self.service.behind()

    @property
    def watched(self) -> bool:
        """Whether its journal is being followed, after whatever was."""
        return self.reason is None and self.service is not None and self.service.watching


class Several:
    """Watches all of them until it is told to stop."""

    def __init__(
        self,
        rigs: Sequence[RigFiles],
        view: Callable[[], View],
        *,
        findings_folder: Path | None = None,
        until_idle: float | None = None,
        look: bool = False,
    ) -> None:
        """Nothing is opened yet; the options are those of `Service`."""
        self.kept = [Kept(files, files.label) for files in rigs]
        self._view = view
        self._findings_folder = findings_folder
        self._until_idle = until_idle
        self._look = look
        self._letters: set[asyncio.Task[None]] = set()

    @property
    def failing(self) -> list[Kept]:
        """The rigs that are not watched."""
        return [one for one in self.kept if one.reason is not None]

    def progress(self) -> Progress:
        """What must go on, of every rig."""
        stages = Progress()
        for one in self.kept:
            stages.add(f"watch of {one.files.label}", one.turned)
            stages.add(f"journal of {one.files.label}", one.behind)
        return stages

    def status(self) -> str:
        """In a line how many are watched, and which are not.

        >>> Several([], list).status()
        '0 of 0 rigs watched'
        """
        failing = self.failing
        watched = sum(one.watched for one in self.kept)
        words = f"{watched} of {len(self.kept)} rigs watched"
        if failing:
            names = ", ".join(f"{one.name} ({one.reason})" for one in failing[:NAMED])
            more = f" and {len(failing) - NAMED} more" if len(failing) > NAMED else ""
            words += f", NOT: {names}{more}"
        return words

    async def run(self, stop: asyncio.Event) -> None:
        """Watch until `stop`, or until all were idle. Raises PlainError if at the beginning none can be watched."""
        tasks = [asyncio.create_task(self._keep(one, stop), name=one.name) for one in self.kept]
        overseer = asyncio.create_task(self._oversee(), name="overseer")
        try:
            await asyncio.wait((asyncio.gather(*tasks), overseer), return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (*tasks, overseer):
                task.cancel()
            ends = await asyncio.gather(*tasks, overseer, return_exceptions=True)
            if self._letters:
                await asyncio.wait(self._letters, timeout=5.0)
        for end in ends:
            if isinstance(end, Exception):
                raise end
        if self._until_idle is not None and self.failing:
            raise PlainError(self.status())

    # -- one rig ---------------------------------------------------------------------------------------------

    async def _keep(self, one: Kept, stop: asyncio.Event) -> None:
        wait_s = FIRST_WAIT_s
        loop = asyncio.get_running_loop()
        while not stop.is_set():
            RIG.set(one.name)
            one.tries += 1
            one.began_s = loop.time()
            try:
                service = one.service = self._service(one)
                await service.run(stop)
            except (PlainError, OSError) as error:
                self._failed(one, str(error))
            except Exception as error:
                # whatever it is, the other rigs are watched on
                self._failed(one, f"a fault of the program: {type(error).__name__}: {error}")
                log.debug("where it happened", exc_info=True)
            else:
                break
            finally:
                one.service = None
            if self._until_idle is not None:
                break
            if loop.time() - one.began_s >= GOOD_s:
                wait_s = FIRST_WAIT_s
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), wait_s)
            wait_s = min(2.0 * wait_s, LONGEST_WAIT_s)
        one.ended = True

    def _service(self, one: Kept) -> Service:
        """Read the settings anew: they may have been put right."""
        settings, path = one.files.read()
        if settings is not None:
            one.name = settings.rig.name
            RIG.set(one.name)
        for other in self.kept:
            if other is one or other.service is None:
                continue
            if other.name == one.name:
                raise PlainError(f"another rig is called {one.name!r}, too: give each its own [rig] name")
            if real_path(other.service.path) == real_path(path):
                raise PlainError(f"{path}: is the journal of {other.name}, too")
        folder = self._findings_folder
        return Service(
            settings,
            path,
            findings_file=None if folder is None else folder / f"{path.name.removesuffix('.journal')}.json",
            until_idle=self._until_idle,
            view=self._view(),
            look=self._look,
            companions=len(self.kept),
        )

    def _failed(self, one: Kept, reason: str, since_s: float | None = None) -> None:
        if one.reason is None:
            one.failed_since_s = since_s or asyncio.get_running_loop().time()
        if one.reason != reason:
            log.error("NOT WATCHED: %s", reason)
        else:
            log.debug("still not watched: %s", reason)
        one.reason = reason

    # -- all of them -----------------------------------------------------------------------------------------

    async def _oversee(self) -> None:
        """See who is missing and who is back."""
        loop = asyncio.get_running_loop()
        tried = False
        while True:
            await asyncio.sleep(LOOK_s)
            now_s = loop.time()
            if not tried:
                tried = all(
                    one.reason is not None or one.service is not None or one.ended for one in self.kept
                )
                if tried and len(self.failing) == len(self.kept):
                    first = self.kept[0]
                    raise PlainError(
                        f"none of the {len(self.kept)} rigs can be watched; {first.name}: {first.reason}"
                    )
            for one in self.kept:
                waiting = one.service is not None and not one.service.watching
                if one.reason is None and waiting and now_s - one.began_s >= WORTH_A_LETTER_s:
                    RIG.set(one.name)
                    self._failed(one, "there is no journal yet: is its logger running?", one.began_s)
                elif one.reason is not None:
                    self._see_again(one, now_s)
                RIG.set("")

    def _see_again(self, one: Kept, now_s: float) -> None:
        service = one.service
        lasted = duration_text(now_s - one.failed_since_s)
        if service is not None and service.watching and now_s - one.began_s >= LOOK_s:
            log.info("%s: watched again, after %s", one.name, lasted)
            one.reason = None
            if one.written:
                one.written = False
                self._write(one, f"{one.name}: watched again", f"It was not watched for {lasted}.")
        elif not one.written and now_s - one.failed_since_s >= WORTH_A_LETTER_s:
            one.written = True
            body = f"No analysis watches this rig's soak since {lasted} ago: {one.reason}"
            self._write(one, f"{one.name}: NOT WATCHED", body)

    def _write(self, one: Kept, title: str, body: str) -> None:
        if self._look:
            return
        notify = self._addresses_for(one)
        if notify is None:
            log.warning("%s: there is nobody to tell: no [notify] in any settings", one.name)
            return
        task = asyncio.create_task(send_letter(notify, title, body), name=f"letter {one.name}")
        self._letters.add(task)
        task.add_done_callback(self._letters.discard)

    def _addresses_for(self, one: Kept) -> NotifySettings | None:
        """Its own people; if its settings can't be read or name none, those of another rig."""
        for files in (one.files, *(other.files for other in self.kept)):
            with contextlib.suppress(PlainError, OSError):
                settings, _ = files.read()
                if settings is not None and settings.notify is not None:
                    return settings.notify
        return None


async def send_letter(notify: NotifySettings, title: str, body: str) -> None:
    """Try once to write to all addresses, where there is no book of alarms in which a letter could wait."""
    from analysis.notify import Addresses  # noqa: PLC0415  an optional part

    try:
        addresses = Addresses(notify.addresses())
    except PlainError as error:
        log.error("no word to people: %s", error)  # noqa: TRY400  the sentence says it
        return
    for number in range(len(addresses)):
        if not await addresses.send(number, title, body):
            log.warning("no word to people: %s does not take it (%s)", addresses.name(number), title)
