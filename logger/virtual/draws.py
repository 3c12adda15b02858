"""What the simulator draws by chance: small distributions that a plan carries instead of numbers.

A plan says for every uncertain quantity *how* it is drawn; `simulate` draws it once per section or once per
soak. Fixing a quantity is the special case `Fixed`. Everything takes an explicit generator, so one seed gives
one soak, and every piece of the physics has a stream of its own (`stream`), so that giving one corner a leak
changes nothing in the weather or in the noise.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fixed:
    """Always the same value."""

    value: float

    def sample(self, _rng: np.random.Generator, count: int) -> FloatArray:
        """Give `count` times the value."""
        return np.full(count, self.value)

    def __str__(self) -> str:
        """Say it as the table of priors says it."""
        return f"{self.value:g}"


@dataclass(frozen=True, slots=True)
class Uniform:
    """Equally likely between two ends."""

    low: float
    high: float

    def sample(self, rng: np.random.Generator, count: int) -> FloatArray:
        """Draw `count` values."""
        return rng.uniform(self.low, self.high, count)

    def __str__(self) -> str:
        """Say it as the table of priors says it."""
        return f"uniform {self.low:g} … {self.high:g}"


@dataclass(frozen=True, slots=True)
class LogUniform:
    """Equally likely per factor between two positive ends (time constants)."""

    low: float
    high: float

    def sample(self, rng: np.random.Generator, count: int) -> FloatArray:
        """Draw `count` values."""
        return np.exp(rng.uniform(math.log(self.low), math.log(self.high), count))

    def __str__(self) -> str:
        """Say it as the table of priors says it."""
        return f"log-uniform {self.low:g} … {self.high:g}"


@dataclass(frozen=True, slots=True)
class Normal:
    """Gaussian with mean and standard deviation."""

    mean: float
    sd: float

    def sample(self, rng: np.random.Generator, count: int) -> FloatArray:
        """Draw `count` values."""
        return rng.normal(self.mean, self.sd, count)

    def __str__(self) -> str:
        """Say it as the table of priors says it."""
        return f"normal {self.mean:g}, sd {self.sd:g}"


@dataclass(frozen=True, slots=True)
class LogNormal:
    """Gaussian in the logarithm: median, and standard deviation of the natural logarithm."""

    median: float
    log_sd: float

    def sample(self, rng: np.random.Generator, count: int) -> FloatArray:
        """Draw `count` values."""
        return self.median * np.exp(rng.normal(0.0, self.log_sd, count))

    def __str__(self) -> str:
        """Say it as the table of priors says it."""
        return f"log-normal, median {self.median:g}, sd of ln {self.log_sd:g}"


Draw = Fixed | Uniform | LogUniform | Normal | LogNormal


def one(draw: Draw, rng: np.random.Generator) -> float:
    """Draw a single number."""
    return float(draw.sample(rng, 1)[0])


def stream(seed: int, name: str) -> np.random.Generator:
    """Give the random stream of one piece of the physics: independent of all others, the same for a seed."""
    return np.random.default_rng([seed, zlib.crc32(name.encode("ascii"))])
