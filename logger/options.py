"""Options that several commands share, told in the same words."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Settings = Annotated[
    Path | None, typer.Option("--settings", "-s", help="Settings file (TOML); the defaults if not given.")
]
Journal = Annotated[
    Path | None,
    typer.Option("--journal", "-j", help="Journal file; else the settings' one, else <rig name>.journal."),
]
Port = Annotated[
    str | None,
    typer.Option("--port", "-p", help='A device, "auto", or socket://host:port; else as in the settings.'),
]
Verbose = Annotated[bool, typer.Option("--verbose", "-v", help="Tell repeats and refused lines too.")]
