"""What was read before a soak, as far as it is kept: the air's temperature and the pressures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Mapping

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Before:
    """Rows before a soak: times (n,) since its begin, all negative; by channel values (n,), SI, NaN = no reading."""

    time_s: Array
    values: Mapping[str, Array]

    def __deepcopy__(self, _memo: dict[int, Any]) -> Self:
        """Nobody changes it, so a copy shares it."""
        return self


def kept_before(time_s: Array, values: Mapping[str, Array]) -> Before:
    """Return air temperature and pressures of rows, read-only copies.

    >>> kept_before(np.array([-60.0]), {"a.pressure": np.array([7e5]), "a.height": np.array([0.3])}).values.keys()
    dict_keys(['a.pressure'])
    """
    names = [name for name in values if name == "ambient.temperature" or name.endswith(".pressure")]
    arrays = [np.array(column, dtype=np.float64) for column in (time_s, *(values[name] for name in names))]
    for one in arrays:
        one.setflags(write=False)
    return Before(arrays[0], dict(zip(names, arrays[1:], strict=True)))
