"""`cornerhold bench`: what does the rig read right now?"""

from __future__ import annotations

import json
import math
import sys
import time
from pathlib import Path  # noqa: TC003  typer reads the annotations at run time
from typing import TYPE_CHECKING, Annotated

import typer

from logger.errors import PlainError

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.table import Table

    from logger.bench.window import ChannelReading, Picture, Window
    from logger.port import Port
    from logger.protocol import RigRecord
    from logger.settings import Settings

_UNATTENDED_S = 10.0
_ANSWER_S = 4.0
_ASK_AGAIN_S = 1.0
_SILENT_S = 12.0
_DRAW_S = 0.25


def bench(
    settings_file: Annotated[
        Path | None, typer.Option("--settings", "-s", help="Settings file (TOML); the defaults if not given.")
    ] = None,
    port: Annotated[
        str | None,
        typer.Option("--port", "-p", help='A device, "auto", or socket://host:port; else the settings\'.'),
    ] = None,
    seconds: Annotated[
        float | None,
        typer.Option("--seconds", min=0.1, help="End after so long; without a terminal 10 s unless given."),
    ] = None,
    window: Annotated[
        int, typer.Option("--window", min=5, max=10_000, help="Samples that the noise is taken from.")
    ] = 60,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object in the end, SI units.")] = False,
) -> None:
    """Show what a rig reads: raw counts, values, noise in counts and in Pa, sample rate and quality, live.

    It only asks who the rig is and listens: nothing is acknowledged or stored. Ends with Ctrl-C or after --seconds.
    Noise is that of a single reading; a slow drift doesn't count, and jumps (spikes, steps) are counted apart.
    Exit 1 if no readings come.

    Example: cornerhold bench --settings bay-2.toml --seconds 60
    """
    from logger.detect import find_rig  # noqa: PLC0415  loaded when it is needed
    from logger.port import Port  # noqa: PLC0415
    from logger.settings import default_settings, load_settings  # noqa: PLC0415

    settings = default_settings() if settings_file is None else load_settings(settings_file)
    name = port or settings.rig.port
    if name == "auto":
        name = find_rig(settings.rig.name, settings.rig.baud).port
    watched = sys.stdout.isatty() and not as_json
    if seconds is None and not watched:
        seconds = _UNATTENDED_S
    opened = Port(name, settings.rig.baud)
    try:
        picture = _watch(Listener(opened, settings, window), seconds, watched=watched)
    finally:
        opened.close()
    if as_json:
        typer.echo(json.dumps(picture.as_dict()))
    elif not watched:
        _print(picture)


class Listener:
    """Hears a rig and keeps a window of its samples."""

    def __init__(self, port: Port, settings: Settings, samples: int) -> None:
        """Ask nothing yet."""
        from logger.framing import LineSplitter  # noqa: PLC0415

        self._port, self._settings, self._samples = port, settings, samples
        self._splitter = LineSplitter()
        self._window: Window | None = None
        self._asked_s = -1e9
        self._began_s = self._heard_s = time.monotonic()
        self.refused = 0

    def listen(self, seconds: float) -> None:
        """Hear for a moment; ask who is there as long as that isn't known."""
        from logger.protocol import Identify, LineFault, decode_rig, encode  # noqa: PLC0415

        now_s = time.monotonic()
        if self._window is None and now_s - self._asked_s >= _ASK_AGAIN_S:
            self._asked_s = now_s
            self._port.write(encode(Identify()))
        for line in self._splitter.feed(self._port.read(seconds)):
            try:
                self._take(decode_rig(line))
            except LineFault:
                self.refused += 1
        self._give_up(time.monotonic())

    def _take(self, record: RigRecord) -> None:
        from logger.bench.window import Window  # noqa: PLC0415
        from logger.protocol import Identity, Sample  # noqa: PLC0415

        if isinstance(record, Identity):
            before = self._window.identity if self._window else None
            if before is None or (before.boot, before.channels, before.period_ms) != (
                record.boot,
                record.channels,
                record.period_ms,
            ):
                self._window = Window(record, self._settings, self._samples)
            self._heard_s = time.monotonic()
        elif isinstance(record, Sample) and self._window is not None:
            if self._window.take(record):
                self._heard_s = time.monotonic()
            elif record.boot != self._window.identity.boot:
                self._window, self._asked_s = None, -1e9  # it has restarted

    def _give_up(self, now_s: float) -> None:
        if self._window is None:
            if now_s - max(self._began_s, self._heard_s) > _ANSWER_S:
                raise self.nothing()
        elif now_s - self._heard_s > _SILENT_S + 2 * self._window.identity.period_ms / 1e3:
            raise PlainError(
                f"port {self._port.name}: the rig has been silent for {now_s - self._heard_s:.0f} s"
            )

    def nothing(self) -> PlainError:
        """Why there is nothing to see."""
        if self._window is not None:
            return PlainError(f"port {self._port.name}: no sample came in that time")
        lines = f"; {self.refused} lines were refused" if self.refused else ""
        return PlainError(f"port {self._port.name}: no rig answers{lines} (wire-check says more)")

    @property
    def answered(self) -> bool:
        """Whether the rig has said who it is."""
        return self._window is not None

    def picture(self) -> Picture | None:
        """What there is to see."""
        return self._window.picture(self.refused) if self._window else None


def _watch(listener: Listener, seconds: float | None, *, watched: bool) -> Picture:
    if not watched:
        _until(listener, seconds, lambda: None)
    else:
        from rich.live import Live  # noqa: PLC0415

        with Live("waiting for the rig", auto_refresh=False) as view:

            def draw() -> None:
                picture = listener.picture()
                if picture is not None:
                    view.update(table_of(picture), refresh=True)

            try:
                _until(listener, seconds, draw)
            except KeyboardInterrupt:
                draw()  # the usual way to end it: the last table stays
                raise typer.Exit(0) from None
    picture = listener.picture()
    if picture is None:
        raise listener.nothing()
    return picture


def _until(listener: Listener, seconds: float | None, draw: Callable[[], None]) -> None:
    """Listen for so long from the rig's first answer on."""
    end_s, drawn_s = math.inf, -math.inf
    while (now_s := time.monotonic()) < end_s:
        listener.listen(max(0.0, min(_DRAW_S, end_s - now_s)))
        if seconds is not None and end_s == math.inf and listener.answered:
            end_s = time.monotonic() + seconds
        if now_s - drawn_s >= _DRAW_S:
            drawn_s = now_s
            draw()


# ---------------------------------------------------------------- for people

_SHOWN = {"Pa": ("kPa", 1e-3, 0.0), "K": ("°C", 1.0, -273.15), "m": ("mm", 1e3, 0.0), "V": ("V", 1.0, 0.0)}
_NOISE = {"Pa": ("Pa", 1.0), "K": ("mK", 1e3), "m": ("µm", 1e6), "V": ("mV", 1e3)}


def cells_of(channel: ChannelReading) -> tuple[str, ...]:
    """A row of the table: channel, count, value, noise in counts, noise, quality."""
    raw = "" if channel.raw is None else str(channel.raw)
    value = noise = ""
    if channel.unit is not None:
        unit, factor, offset = _SHOWN[channel.unit]
        if channel.value is not None:
            value = f"{channel.value * factor + offset:.3f} {unit}"
        small, times = _NOISE[channel.unit]
        if channel.noise is not None:
            noise = f"{channel.noise * times:.1f} {small}"
    counts = "" if channel.noise_counts is None else f"{channel.noise_counts:.2f}"
    quality = channel.quality
    if channel.good_share < 1.0 and channel.unit is not None:
        quality += f" ({100 * channel.good_share:.0f} % good)"
    # a barometer may well be so quiet, a strut's transducer on a fine converter is not
    if channel.noise == 0.0 and channel.name.endswith(".pressure") and channel.name != "ambient.pressure":
        quality += ", no noise at all: stuck?"
    if channel.jumps:
        quality += f", {channel.jumps} {'jump' if channel.jumps == 1 else 'jumps'}"
    return channel.name, raw, value, counts, noise, quality


_HEADS = ("channel", "count", "value", "noise, counts", "noise", "quality")


def caption_of(picture: Picture) -> str:
    """How the samples come in, in a sentence."""
    rate = "" if picture.rate_per_s is None else f", {picture.rate_per_s:.3f} per second"
    return (
        f"{picture.rig}, firmware {picture.firmware or 'not told'}: sample {picture.seq}{rate} (period "
        f"{picture.period_ms} ms); {picture.missing} missing, {picture.refused} lines refused; "
        f"noise of {picture.samples} samples"
    )


def table_of(picture: Picture) -> Table:
    """The table for a terminal."""
    from rich.table import Table  # noqa: PLC0415

    table = Table(caption=caption_of(picture), caption_justify="left")
    for n, head in enumerate(_HEADS):
        table.add_column(head, justify="right" if 0 < n < 5 else "left", no_wrap=True)
    for channel in picture.channels:
        style = "" if channel.quality == "good" else "red"
        table.add_row(*cells_of(channel), style=style)
    return table


def _print(picture: Picture) -> None:
    from rich.console import Console  # noqa: PLC0415

    Console(width=120).print(table_of(picture))
