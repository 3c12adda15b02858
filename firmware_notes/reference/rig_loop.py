"""The rig's one loop: hear, sample on time, send a little, feed the watchdog. Hardware comes in as arguments."""

import time

import rig_line

# A measurement is begun this long before its sample: the slowest sensor takes 750 ms.
LEAD_MS = 800
# One pass sends no more, so that the line holds up no sample by more than 6 ms.
MOST_BYTES = 64


class Loop:
    """Joins a `Rig`, a `Pacer`, named inputs, a UART and a watchdog."""

    def __init__(self, rig, pacer, inputs, uart, watchdog, boot_event, supply=None):
        """Take a driver per channel, and for `supply` (index of its channel, count when low, count when good).

        `boot_event`, (code, text), is said when a host is first heard: at boot there may be none yet.
        """
        self._rig, self._pacer, self._inputs = rig, pacer, inputs
        self._uart, self._watchdog, self._supply = uart, watchdog, supply
        self._boot_event = boot_event
        self._reader = rig_line.LineReader()
        self._out = b""
        self._begun = False
        self._supply_low = False
        self._faults = [False] * len(inputs)

    def run(self):
        """Run until the power goes."""
        while True:
            self.turn()

    def turn(self):
        """One pass."""
        self._watchdog.feed()
        pacer = self._pacer
        pacer.advance(time.ticks_ms())
        self._hear()
        if not self._begun and pacer.wait_ms() <= LEAD_MS:
            self._begun = True
            for driver in self._inputs:
                driver.begin()
        if pacer.is_due():
            self._sample()
        if not self._send() and not self._uart.any():
            time.sleep_ms(1)

    def _hear(self):
        waiting = self._uart.any()
        if waiting:
            for line in self._reader.feed(self._uart.read(min(waiting, 256)) or b""):
                if self._rig.hear(line) and self._boot_event:
                    self._rig.event(0, *self._boot_event)
                    self._boot_event = None
            self._pacer.set_period(self._rig.period_ms)

    def _sample(self):
        pacer = self._pacer
        uptime_ms = pacer.uptime_ms
        values = [driver.read() for driver in self._inputs]
        self._rig.take(uptime_ms, values)
        missed = pacer.step()
        self._begun = False
        if missed:
            self._rig.event(uptime_ms, "late", f"{missed} samples could not be taken in time")
        for number, driver in enumerate(self._inputs):
            if driver.fault and not self._faults[number]:
                self._rig.event(uptime_ms, "converter", f"channel {number + 1} did not answer")
            self._faults[number] = driver.fault
        self._watch_supply(uptime_ms, values)

    def _watch_supply(self, uptime_ms, values):
        if self._supply is None:
            return
        index, low, good = self._supply
        count = values[index]
        if not isinstance(count, int):
            return
        if count < low and not self._supply_low:
            self._rig.event(uptime_ms, "brownout", f"supply at {count} counts")
        self._supply_low = count < (good if self._supply_low else low)

    def _send(self):
        """Send a little; False if there is nothing to send."""
        if not self._out:
            self._out = self._rig.next_line() or b""
            if not self._out:
                return False
        sent = self._uart.write(self._out[:MOST_BYTES])
        self._out = self._out[sent or 0 :]
        return True
