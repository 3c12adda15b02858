"""The rigs that the page shows: each journal is followed in the background, in one thread for all."""

from __future__ import annotations

import asyncio
import logging
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from analysis.state import Look, State
from logger.errors import PlainError
from logger.pulse import Progress

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from logger.settings import Settings

log = logging.getLogger(__name__)

EVERY_s: Final = 1.0
LONGEST_s: Final = 5.0
BUDGET_s: Final = 1.0
"""So much work goes into a rig's journal before the next rig has its turn: a long one must not make the others stale."""
SHARE: Final = 0.2
"""Of a core's time for looking; a slow machine looks less often, but after LONGEST_s at the latest."""


@dataclass(frozen=True)
class Watched:
    """A rig as the page knows it."""

    key: str
    """Its name in addresses."""
    path: Path
    settings: Settings | None
    refused: str | None = None
    """Why its settings can't be used: it is shown in its place."""


class Rigs:
    """All rigs. Everything that touches a journal or draws runs in the one thread."""

    def __init__(self, watched: tuple[Watched, ...]) -> None:
        """Nothing is opened yet."""
        self.watched = {one.key: one for one in watched}
        self.states: dict[str, State] = {}
        self.errors: dict[str, str] = {}
        self.looked_s: dict[str, float] = {}
        self._looks: dict[str, Look] = {}
        self._plots: dict[tuple[str, int], tuple[object, list[str]]] = {}
        self._thread = ThreadPoolExecutor(1, "rigs")
        self._behind: set[str] = set()
        self._resting = False
        self._looks_done = 0

    async def run(self) -> None:
        """Look at every rig, again and again, until cancelled."""
        while True:
            begun = time.monotonic()
            self._resting = False
            for key in self.watched:
                await self.do(lambda key=key: self.look(key))  # type: ignore[misc]
                self._looks_done += 1
            if self._behind:
                continue
            self._resting = True
            took = time.monotonic() - begun
            # a look that had much to catch up must not be followed by a pause that makes the page stale
            await asyncio.sleep(min(max(EVERY_s, took / SHARE - took), LONGEST_s))

    def progress(self) -> Progress:
        """What must go on: one look after another. The first at a long journal takes seconds."""
        stages = Progress()
        stages.add("looks", lambda: (not self._resting, self._looks_done))
        return stages

    def status(self) -> str:
        """In a line how it stands."""
        unseen = ", ".join(f"{key} ({error})" for key, error in self.errors.items())
        return f"{len(self.states)} of {len(self.watched)} rigs shown" + (
            f", NOT: {unseen}" if unseen else ""
        )

    async def do(self, work: Callable[[], Any]) -> Any:
        """Run something in the thread of the journals."""
        return await asyncio.get_running_loop().run_in_executor(self._thread, work)

    def look(self, key: str) -> None:
        """Take what is new of a rig. What goes wrong is shown in its place; the others go on."""
        one = self.watched[key]
        try:
            if one.refused is not None:
                raise PlainError(one.refused)  # noqa: TRY301  told as whatever else goes wrong
            look = self._looks.get(key)
            if look is None and not one.path.exists():
                # beside a logger that is just starting this is nothing for the log; the page says it in red
                self.errors[key] = f"{one.path}: no such journal yet: is the logger started?"
                self.looked_s[key] = time.monotonic()
                return
            if look is None:
                look = self._looks[key] = Look(one.path, one.settings)
            if not look.catch_up(BUDGET_s):
                self._behind.add(key)
                return
            self._behind.discard(key)
            self.states[key] = look.state()
            self.errors.pop(key, None)
        except (PlainError, OSError) as error:
            if self.errors.get(key) != str(error):
                log.warning("%s: %s", key, error)
            self.errors[key] = str(error)
            self.states.pop(key, None)
            self._behind.discard(key)
            self._forget(key)
        self.looked_s[key] = time.monotonic()

    def _forget(self, key: str) -> None:
        look = self._looks.pop(key, None)
        if look is not None:
            look.close()

    def plots(self, key: str) -> list[tuple[str, str]]:
        """Return the plots of a rig's sections, for a wide and for a narrow page."""
        from analysis.plots import Moments, section_svg  # noqa: PLC0415  the drawing library is large

        look = self._looks.get(key)
        material = None if look is None else look.material
        if material is None:
            return []
        drawn: list[list[str]] = []
        for narrow in (0, 1):
            at, svgs = self._plots.get((key, narrow), (None, []))
            if at is not material:
                moments = Moments(material.soak.begin_utc)
                svgs = [
                    section_svg(
                        course, section, moments, standing=material.soak.standing, narrow=bool(narrow)
                    )
                    for course, section in zip(material.over_time, material.findings["sections"], strict=True)
                ]
                self._plots[key, narrow] = (material, svgs)
            drawn.append(svgs)
        return list(zip(*drawn, strict=True))

    def course(self, key: str) -> dict[str, dict[str, list[float | None]]]:
        """Return what was read and what it means over time, by section, SI; None = not known."""
        look = self._looks.get(key)
        material = None if look is None else look.material
        if material is None:
            return {}
        return {
            name: {what: _plain(values) for what, values in vars(course).items()}
            for name, course in zip(material.soak.sections, material.over_time, strict=True)
        }

    def close(self) -> None:
        """Close all journals."""
        for key in tuple(self._looks):
            self._thread.submit(self._forget, key).result()
        self._thread.shutdown()


def _plain(values: Any) -> list[float | None]:
    return [float(f"{x:.8g}") if abs(x) < float("inf") else None for x in values.tolist()]
