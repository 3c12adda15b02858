"""What the rig answers and what it sends next. Pure: told of samples, events and lines, asked for lines."""

import rig_line
from rig_ring import Ring

MOST_EVENTS = 16


class Rig:
    """One boot of the rig, as its line sees it."""

    def __init__(self, rig, firmware, names, period_ms, boot, depth, least_period_ms=1):
        """Boot; ValueError if the identity will not fit in a line."""
        room = rig_line.identity_room(rig, firmware, names)
        if room < 0:
            raise ValueError(f"identity too long by {-room} bytes: shorten rig, firmware or section names")
        self._rig, self._firmware, self._names = rig, firmware, names
        self._least_period_ms = least_period_ms
        self.period_ms = period_ms
        self.boot = boot
        self.ring = Ring(depth, len(names))
        self._next = 0
        self._say_who = True
        self._events = []
        self._overflowing = False

    def take(self, uptime_ms, values):
        """Keep a sample."""
        uptime_ms &= rig_line.MAX_UINT32
        overwritten = self.ring.push(uptime_ms, values)
        if overwritten and not self._overflowing:
            self.event(uptime_ms, "overwritten", "buffer full")
        self._overflowing = overwritten
        self._next = max(self._next, self.ring.first_seq)

    def event(self, uptime_ms, code, text):
        """Report something once; of a flood of events the newest are dropped."""
        if len(self._events) < MOST_EVENTS:
            self._events.append(rig_line.event_line(self.boot, uptime_ms & rig_line.MAX_UINT32, code, text))

    def hear(self, line):
        """Take a line from the host; False if it is a bad one and was dropped."""
        command = rig_line.parse_host(line)
        if command is None:
            return False
        kind = command[0]
        if kind == "?":
            self._say_who = True
        elif kind == "P":
            if command[1] >= self._least_period_ms:
                self.period_ms = command[1]
            self._say_who = True
        elif command[1] != self.boot:
            self._say_who = self._say_who or kind == "R"
        elif kind == "R" and command[2] <= self.ring.last_seq:
            self._next = max(command[2], self.ring.first_seq)
        elif kind == "A":
            self.ring.forget(command[2])
            self._next = max(self._next, self.ring.first_seq)
        return True

    def next_line(self):
        """Give the line to send next, or None: identity and events first, then samples in order.

        One cursor for old and new samples: while catching up, a new one can't get between the old ones.
        Several questions before the answer went out are answered once.
        """
        if self._say_who:
            self._say_who = False
            ring = self.ring
            return rig_line.identity_line(
                self._rig,
                self._firmware,
                self.period_ms,
                self.boot,
                ring.first_seq,
                ring.last_seq,
                self._names,
            )
        if self._events:
            return self._events.pop(0)
        sample = self.ring.get(self._next)
        if sample is None:
            return None
        self._next += 1
        return rig_line.sample_line(self.boot, self._next - 1, *sample)
