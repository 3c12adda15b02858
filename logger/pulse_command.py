"""`cornerhold pulse`: does a service get on? For the health check of a container."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from logger.errors import PlainError, one_line


def pulse(
    file: Annotated[
        Path | None, typer.Argument(help="File that the service renews; else $CORNERHOLD_PULSE.")
    ] = None,
    within: Annotated[
        float, typer.Option("--within", min=1.0, help="So many seconds old it may be at most.")
    ] = 30.0,
) -> None:
    """Say whether a service gets on: exit 0 if its pulse is fresh, 1 if not.

    A service that finds CORNERHOLD_PULSE in its environment renews the file of that name every few seconds, as long as
    its work goes on: readings are taken and committed, the journal is followed, a port that is gone is tried again. A
    process that hangs leaves it to grow old. It holds a line on how the service stands.

    Example: cornerhold pulse --within 30 /run/cornerhold/pulse
    """
    from logger.bounded import file_bytes, json_of  # noqa: PLC0415  what --help does not need
    from logger.pulse import PULSE_VARIABLE, boot_clock_s  # noqa: PLC0415

    named = file or (Path(os.environ[PULSE_VARIABLE]) if os.environ.get(PULSE_VARIABLE) else None)
    if named is None:
        raise PlainError(f"name the file, or set {PULSE_VARIABLE}")
    try:
        said = json_of(file_bytes(named))
        age_s = boot_clock_s() - float(said["monotonic_s"])
        status = one_line(str(said["status"]))
    except FileNotFoundError:
        raise PlainError(f"{named}: no pulse: nothing has begun, or it has ended") from None
    except OSError as error:
        raise PlainError(f"{named}: {error.strerror or error}") from None
    except (ValueError, TypeError, KeyError, OverflowError):
        raise PlainError(f"{named}: is no pulse") from None
    # beyond now: it is of another boot of this computer
    if not 0.0 <= age_s <= within:
        raise PlainError(f"no pulse for {abs(age_s):.0f} s; before that: {status}")
    typer.echo(status)
