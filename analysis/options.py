"""Options that several commands on a journal share, told in the same words."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

LoggedSettings = Annotated[
    Path | None,
    typer.Option("--settings", "-s", help="Settings (TOML); else those under which the journal was logged."),
]
Journal = Annotated[
    Path | None, typer.Option("--journal", "-j", help="Journal file; else as the logger would choose it.")
]
Findings = Annotated[
    Path | None, typer.Option("--findings", "-f", help="Keep the findings so far in this file (JSON).")
]
