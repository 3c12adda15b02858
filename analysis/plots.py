"""The plot of one section, as SVG that takes its colours from the page around it: what was read, and what it means.

Three rows over one axis of time: what the transducer read beside what a tight section would have read, the temperatures,
the gas that was left. A tight section cools and its two curves of the first row lie on one another; a leaking one falls
away from what a tight one would have read, and the third row says by how much. No text that a person
typed gets into a plot.
"""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from logger.units import SECONDS_PER_DAY, ZERO_CELSIUS_K

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from analysis.gas_left import GasLeft

LEAST_SPAN: Final = 0.02
"""The gas that is left is drawn over two percent at least: noise must not fill the plot."""
FEW: Final = 0.5
"""Fewer of the points than this with a reading are drawn as points (own choice)."""
LEAST_bar: Final = 0.4
LEAST_mm: Final = 10.0
"""What was read is drawn over so much at least: a hair's breadth between two curves must not look like a leak."""
# stand-ins that the drawing library takes for colours; the page gives them their meaning
_COLOURS: Final = {
    "#010101": "var(--ink)",
    "#020202": "var(--faint)",
    "#030303": "var(--read)",
    "#040404": "var(--expected)",
    "#050505": "var(--air)",
    "#060606": "var(--gas)",
    "#070707": "var(--left)",
    "#080808": "var(--limit)",
}
_INK, _FAINT, _READ, _EXPECTED, _AIR, _GAS, _LEFT, _LIMIT = _COLOURS


@dataclass(frozen=True)
class Moments:
    """How the time axis is labelled: UTC from `begin_utc`, or hours since the begin if there is no clock."""

    begin_utc: np.datetime64 | None

    def of(self, time_s: NDArray[np.float64]) -> Any:
        """Times as the axis takes them."""
        if self.begin_utc is None:
            return time_s / 3600.0
        return self.begin_utc.astype("datetime64[ms]") + (time_s * 1000.0).astype("timedelta64[ms]")


def section_svg(
    over_time: GasLeft, section: Mapping[str, Any], moments: Moments, *, standing: bool, narrow: bool = False
) -> str:
    """Return the plot of one section as an `<svg>` element; `section` is its finding. Empty without points.

    `narrow` draws it for a telephone.
    """
    if len(over_time.time_s) < 2:
        return ""
    import matplotlib as mpl  # noqa: PLC0415  large: loaded where a plot is drawn
    from matplotlib.figure import Figure  # noqa: PLC0415

    size = (3.9, 5.0) if narrow else (7.4, 4.1)
    style: dict[Any, Any] = {
        "svg.fonttype": "none",
        "svg.hashsalt": "cornerhold",
        "font.family": "sans-serif",
        "font.size": 8.5,
        "text.color": _INK,
        "axes.labelcolor": _INK,
        "axes.edgecolor": _FAINT,
        "xtick.color": _FAINT,
        "ytick.color": _FAINT,
        "xtick.labelcolor": _INK,
        "ytick.labelcolor": _INK,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "legend.frameon": False,
        "legend.fontsize": 8.0,
        "text.parse_math": False,
    }
    with mpl.rc_context(style):
        figure = Figure(figsize=size, layout="constrained")
        rows = figure.subplots(3, 1, sharex=True, height_ratios=(2.0, 1.3, 2.0))
        at = moments.of(over_time.time_s)
        _draw_read(rows[0], at, over_time, standing=standing)
        _draw_temperatures(rows[1], at, over_time)
        _draw_left(rows[2], at, over_time, section)
        _label_time(rows[2], moments, few=narrow)
        for axes in rows:
            axes.grid(color=_FAINT, alpha=0.35, linewidth=0.5)
            axes.margins(x=0.01)
        file = io.StringIO()
        figure.savefig(file, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    return _themed(file.getvalue(), described(section))


def described(section: Mapping[str, Any]) -> str:
    """What the plot shows, for those who don't see it; made of numbers alone."""
    from analysis.wording import loss_words  # noqa: PLC0415

    return (
        "Three rows over time: what was read beside what a tight section would have read, the temperatures, and the gas "
        f"that was left with its 95 % band. Verdict {section['verdict']}, loss {loss_words(section)}."
    )


def _legend(axes: Axes) -> None:
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 0.98), ncols=3, borderaxespad=0.0, handlelength=1.6)


def _draw_read(axes: Axes, at: Any, over_time: GasLeft, *, standing: bool) -> None:
    has_heights = bool(np.isfinite(over_time.height_m).any())
    if standing and has_heights:
        read, tight, unit = over_time.height_m * 1e3, over_time.tight_height_m * 1e3, "height, mm"
        least = LEAST_mm
    else:
        read, tight, unit = over_time.pressure_Pa / 1e5, over_time.tight_Pa / 1e5, "pressure, bar"
        least = LEAST_bar
    if np.isfinite(tight).any():
        axes.fill_between(at, read, tight, color=_EXPECTED, alpha=0.25, linewidth=0)
    # a few heights by hand are points: what lay between them nobody has read
    few = np.isfinite(read).mean() < FEW
    as_points: dict[str, Any] = {"marker": "o", "markersize": 4.0, "linestyle": "none"}
    axes.plot(at, read, color=_READ, label="read", **(as_points if few else {"linewidth": 1.6}))
    if np.isfinite(tight).any():
        line: dict[str, Any] = (
            as_points | {"markerfacecolor": "none"} if few else {"linestyle": "--", "linewidth": 1.2}
        )
        axes.plot(at, tight, color=_EXPECTED, label="if no gas had gone", **line)
    axes.set_ylabel(unit)
    axes.set_ylim(*_wide_enough(*axes.get_ylim(), least))
    _legend(axes)


def _wide_enough(low: float, high: float, least: float) -> tuple[float, float]:
    """Return limits that are `least` apart at least, around the same middle.

    >>> _wide_enough(7.0, 7.5, 2.5)
    (6.0, 8.5)
    """
    more = max(least - (high - low), 0.0) / 2.0
    return low - more, high + more


def _draw_temperatures(axes: Axes, at: Any, over_time: GasLeft) -> None:
    axes.plot(at, over_time.air_K - ZERO_CELSIUS_K, color=_AIR, linewidth=1.2, linestyle=":", label="air")
    axes.plot(at, over_time.gas_K - ZERO_CELSIUS_K, color=_GAS, linewidth=1.6, label="gas")
    axes.set_ylabel("°C")
    _legend(axes)


def _draw_left(axes: Axes, at: Any, over_time: GasLeft, section: Mapping[str, Any]) -> None:
    axes.set_ylabel("gas left, %")
    since_s = over_time.time_s - over_time.time_s[0]
    limit = 100.0 * np.exp(-section["threshold_per_day"] / SECONDS_PER_DAY * since_s)
    axes.plot(at, limit, color=_LIMIT, linestyle="--", linewidth=1.2, label="at the limit")
    lowest, highest = float(limit.min()), 100.0
    if np.isfinite(over_time.left).any():
        low, high = 100.0 * over_time.low, 100.0 * over_time.high
        axes.fill_between(at, low, high, color=_LEFT, alpha=0.25, linewidth=0, label="95 % band")
        axes.plot(at, 100.0 * over_time.dots, ".", color=_LEFT, markersize=2.5, alpha=0.55)
        axes.plot(at, 100.0 * over_time.left, color=_LEFT, linewidth=1.8, label="gas left")
        dots = over_time.dots[np.isfinite(over_time.dots)]
        # a single wild reading doesn't set the scale
        inner = 100.0 * np.quantile(dots, (0.01, 0.99)) if len(dots) else np.array([100.0, 100.0])
        lowest = min(lowest, float(np.nanmin(low)), float(inner[0]))
        highest = max(highest, float(np.nanmax(high)), float(inner[1]))
    room = max(highest - lowest, 100.0 * LEAST_SPAN)
    axes.set_ylim(max(lowest - 0.08 * room, -2.0), min(highest + 0.12 * room, 200.0))
    _legend(axes)


def _label_time(axes: Axes, moments: Moments, *, few: bool) -> None:
    if moments.begin_utc is None:
        axes.set_xlabel("hours since the begin")
        return
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter  # noqa: PLC0415

    make: Any = AutoDateLocator  # it has no types
    form: Any = ConciseDateFormatter
    locator = make(minticks=2, maxticks=7) if few else make(minticks=3, maxticks=10)
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(form(locator))
    axes.set_xlabel("UTC")


def _themed(svg: str, words: str) -> str:
    """Take the drawing out of its file and give the stand-ins their meaning."""
    svg = svg[svg.index("<svg") :]
    for stand_in, meaning in _COLOURS.items():
        svg = svg.replace(stand_in, meaning)
    # its size comes from the page; the proportions from its view box
    head, _, rest = svg.partition(">")
    head = re.sub(r' (?:width|height)="[^"]*"', "", head)
    rest = re.sub(r"<metadata>.*?</metadata>", "", rest, flags=re.DOTALL)
    # the drawing library names fonts of its own machine
    rest = re.sub(r"font-family: [^;\"]*", "font-family: inherit", rest)
    label = words.replace("&", "&amp;").replace("<", "&lt;").replace('"', "&quot;")
    return f'{head} role="img" aria-label="{label}">{rest}'
