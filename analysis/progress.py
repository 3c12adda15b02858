"""A progress bar on a terminal's stderr, and nothing where there is no terminal."""

from __future__ import annotations

import contextlib
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


@contextlib.contextmanager
def shown_progress(what: str) -> Iterator[Callable[[float], None]]:
    """Hand out a function that is told the share done (0…1); the bar goes away at the end."""
    if not sys.stderr.isatty():
        yield lambda _share: None
        return
    from rich.console import Console  # noqa: PLC0415  a tenth of a second, only for people who watch
    from rich.progress import Progress  # noqa: PLC0415

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=1.0)
        yield lambda share: bar.update(task, completed=share)
