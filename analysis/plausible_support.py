"""Is the car supported as the settings say? Pressures, heights and the cold tell a standing car from a blocked one.

On blocks a spring's volume hardly changes, so its absolute pressure follows the temperature of the gas, and the body
stays where it is. On its wheels the load fixes the pressure, and the cold lowers the body instead.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.inputs import reference_Pa
from analysis.plausible_blocks import Array, Extent
from analysis.setup import setup_of
from logger.units import STANDARD_ATMOSPHERE_Pa

if TYPE_CHECKING:
    from analysis.plausible_blocks import Block
    from logger.settings import Settings

# All of these are common practice, no source; each stands far from what the virtual rig's ordinary soaks reach.
COOLED_K: Final = 10.0  # the air has to fall so far before pressures and heights can contradict the support,
COOLED_BLOCKS: Final = 24  # and stay there for 4 h: twice the slowest lag of a spring in its wheel arch
FOLLOWS_LITTLE: Final = 0.25  # of p ~ T: less than this is no spring of constant volume
FOLLOWS_MUCH: Final = 0.5  # at least this is no spring that carries a constant load
SINKS_LITTLE: Final = 0.3  # of the gas column's share of cooling: what stands sinks by all of it
COLUMN_m: Final = 0.2  # where the settings don't say: short
STILL_m: Final = 3e-3  # a standing car that cools, or whose pressures change, moves by more
SUNK_m: Final = 8e-3  # a body on stands doesn't sink so far
SWING_OF_PRESSURE: Final = 0.05  # absolute; a standing spring's changes so much only as the car moves
WILD_SWING: Final = 0.2  # in one section alone, beside a height that stands still
HELD_Pa: Final = 150e3  # gauge; what holds less is empty, and says nothing of the support
SETTLED_s: Final = 1800.0  # until then somebody may still be setting the car down


class Support:
    """Follows blocks; `contradiction` says in words what speaks against the settings' support."""

    def __init__(self, settings: Settings, sections: tuple[str, ...]) -> None:
        """For the sections of one soak."""
        count = len(sections)
        self.standing = settings.soak.support == "standing"
        setups = tuple(setup_of(settings, name) for name in sections)
        self.reference = reference_Pa(setups, STANDARD_ATMOSPHERE_Pa)
        self.column_m = np.array([s.gas_column_m or COLUMN_m for s in setups])
        self.pressure = Extent(count)
        self.height = Extent(count)
        self.first_Pa: Array = np.full(count, np.nan)  # absolute, with the air of that time
        self.first_air_K: Array = np.full(count, np.nan)
        self.first_m: Array = np.full(count, np.nan)
        self.air_K: list[float] = []  # of the last blocks
        self.begin_s = np.nan
        self.follows: Array = np.full(
            count, np.nan
        )  # ln p over ln T, since the first block; at the last cold block
        self.sunk: Array = np.full(count, np.nan)
        self.sank = 0  # blocks in a row
        self.sunk_since_s = np.nan
        self.sunk_m = np.nan
        self.unlike = 0  # cold blocks that contradict the support, in a row
        self.unlike_s = np.nan
        self.cooled_K = np.nan
        self.stiff = 0  # cold blocks in which the heights didn't sink, in a row
        self.stiff_s = np.nan
        self.stiff_m = (np.nan, np.nan)

    def feed(self, block: Block, pressure_Pa: Array, height_m: Array, air_K: float) -> None:
        """Take the medians of one block: (S,), (S,) and the air's."""
        absolute = pressure_Pa + self.reference
        held = absolute - STANDARD_ATMOSPHERE_Pa > HELD_Pa
        absolute = np.where(held, absolute, np.nan)
        if np.isnan(self.begin_s):
            self.begin_s = block.begin_s
        self.pressure.feed(absolute)
        self.height.feed(height_m)
        new = np.isnan(self.first_Pa) & np.isfinite(absolute) & np.isfinite(air_K)
        self.first_Pa = np.where(new, absolute, self.first_Pa)
        self.first_air_K = np.where(new, air_K, self.first_air_K)
        if self.standing or block.begin_s - self.begin_s >= SETTLED_s:
            self.first_m = np.where(np.isnan(self.first_m), height_m, self.first_m)
            if not self.standing:
                self._sink(block, height_m)
        if np.isfinite(air_K):
            self.air_K = [*self.air_K, air_K][-COOLED_BLOCKS:]
            self._cold(block, absolute, height_m, air_K)

    def _sink(self, block: Block, height_m: Array) -> None:
        change = height_m - self.first_m
        change = change[np.isfinite(change)]
        if not len(change):
            return
        sunk = float(-np.median(change))
        if sunk > SUNK_m:
            self.sank += 1
            self.sunk_since_s = block.begin_s if self.sank == 1 else self.sunk_since_s
            self.sunk_m = sunk if self.sank == 1 else max(self.sunk_m, sunk)
        elif self.sank < 2:
            self.sank = 0

    def _cold(self, block: Block, absolute: Array, height_m: Array, air_K: float) -> None:
        """Compare pressures with what the air did, once it has been cold for long enough."""
        if len(self.air_K) < COOLED_BLOCKS:
            return
        cold = max(self.air_K) <= self.first_air_K - COOLED_K
        known = cold & np.isfinite(absolute) & np.isfinite(self.first_Pa)
        if not known.any():
            return
        share = np.log(absolute[known] / self.first_Pa[known]) / np.log(air_K / self.first_air_K[known])
        middle = float(np.median(share))
        alone = known.sum() < 2
        if self.standing:
            unlike = known.sum() >= 3 and bool((share > FOLLOWS_MUCH).all())
        else:
            unlike = abs(middle) < FOLLOWS_LITTLE and not alone
        self.unlike = self.unlike + 1 if unlike else 0
        if unlike:
            self.unlike_s = block.begin_s if self.unlike == 1 else self.unlike_s
            self.cooled_K = float((self.first_air_K[known] - air_K).mean())
        stood = known & np.isfinite(height_m) & np.isfinite(self.first_m)
        if not self.standing or stood.sum() < 2 or unlike:
            return
        sunk = (self.first_m - height_m)[stood]
        asked = (self.column_m * (1.0 - air_K / self.first_air_K))[stood]
        stiff = float(np.median(sunk / asked)) < SINKS_LITTLE and abs(middle) < FOLLOWS_MUCH
        self.stiff = self.stiff + 1 if stiff else 0
        if stiff:
            self.stiff_s = block.begin_s if self.stiff == 1 else self.stiff_s
            self.stiff_m = (float(np.median(sunk)), float(np.median(asked)))

    # -- what that says --------------------------------------------------------------------------------------

    def contradiction(self) -> tuple[str, float] | None:
        """Return what contradicts the support of all sections, and since when; None if nothing does."""
        return self._not_standing() if self.standing else self._not_blocked()

    def _not_blocked(self) -> tuple[str, float] | None:
        if self.sank >= 2:
            what = (
                f"the body sank by {self.sunk_m * 1e3:.0f} mm, which a car on stands doesn't: if it stands on its "
                'wheels, set support = "standing" and analyse again; else see whether it slipped'
            )
            return what, self.sunk_since_s
        if self.unlike >= COOLED_BLOCKS // 4:
            what = (
                f"the pressures hardly moved while the air fell by {self.cooled_K:.0f} K: on stands they would fall "
                'with it; if the car stands on its wheels, set support = "standing"; else see where the air\'s '
                "thermometer hangs, and whether gas is still being supplied"
            )
            return what, self.unlike_s
        return None

    def _not_standing(self) -> tuple[str, float] | None:
        travel = self.height.swing()
        measured = np.isfinite(travel)
        swing = self._swing()
        pressed = swing[np.isfinite(swing)]
        still = measured.any() and bool((travel[measured] < STILL_m).all())
        if still and len(pressed) and float(np.median(pressed)) > SWING_OF_PRESSURE:
            widest = float(np.nanmax(self.pressure.swing()))
            what = (
                f"the pressures swing by up to {widest / 1e5:.2f} bar and no height moves by {STILL_m * 1e3:.0f} mm: "
                'no car on its wheels does that; if it stands on blocks, set support = "blocked"; else see whether '
                "the springs rest on their stops or the height sensors are stuck"
            )
            return what, self.begin_s
        if not measured.any() and self.unlike >= COOLED_BLOCKS // 4:
            what = (
                f"all pressures fell with the air, by {self.cooled_K:.0f} K: on its wheels the load holds them up; "
                'if the car stands on blocks, set support = "blocked"'
            )
            return what, self.unlike_s
        return None

    def stiff_heights(self) -> tuple[str, float] | None:
        """Return what is wrong with the heights of all sections beside the cold, and since when; or None."""
        if self.stiff < COOLED_BLOCKS // 4:
            return None
        sunk_m, asked_m = self.stiff_m
        what = (
            f"the heights sank by {sunk_m * 1e3:.1f} mm where the cold asks for about {asked_m * 1e3:.0f} mm: check "
            "their unit, whether rods are loose or iced, and where the air's thermometer hangs; else see whether gas "
            "is being supplied"
        )
        return what, self.stiff_s

    def stiff_height(self, i: int) -> str | None:
        """Return what is wrong with the height of one standing section beside its pressure, or None."""
        if not self.standing:
            return None
        travel, swing = float(self.height.swing()[i]), float(self._swing()[i])
        if travel < STILL_m and swing > WILD_SWING:
            return (
                f"the pressure swings by {self.pressure.swing()[i] / 1e5:.2f} bar and the height by "
                f"{travel * 1e3:.1f} mm: one of them is wrong, or the corner rests on its stop; see to the height "
                "sensor's rod and plug"
            )
        return None

    def _swing(self) -> Array:
        """Return how far the absolute pressures went, of their greatest, (S,)."""
        return np.asarray(
            self.pressure.swing() / np.where(np.isfinite(self.first_Pa), self.pressure.high, np.nan)
        )
