"""Faults by the hundred against the real processes, with a rig that knows every sample it made."""

import sys
from pathlib import Path

_TESTS = Path(__file__).parents[1]
for _folder in (_TESTS, _TESTS / "chain"):
    # the helpers of the other tests: a rig in memory, a rig at a pseudo-terminal, a broker
    if str(_folder) not in sys.path:
        sys.path.insert(0, str(_folder))
