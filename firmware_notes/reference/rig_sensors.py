"""Drivers: 16-bit converter and barometer on I²C, digital thermometer on one wire.

Each has `begin()`, which starts a measurement, `read()`, which gives a count, None (nothing new), "+" or "-", and
`fault`: whether it failed to answer. None of them waits longer than a few milliseconds, so that sampling stays on time.

Register maps: converter ADS1115, barometer BMP280, thermometer DS18B20 (by their makers' datasheets).
"""

import struct
import time

_SINGLE_SHOT = 0x8000
# ±6.144 V (187.5 µV a count), single-shot, 475 conversions a second, comparator off
_CONFIG = 0x0000 | 0x0100 | 0x00C0 | 0x0003
_CONVERSION_MS = 2
_MOST_POLLS = 8


class ConverterInput:
    """One input of a 16-bit converter with four inputs, measured against its ground."""

    def __init__(self, i2c, address, pin):
        """Input `pin` (0 to 3) of the converter at `address`."""
        self._i2c, self._address = i2c, address
        self._config = struct.pack(">H", _SINGLE_SHOT | (4 + pin) << 12 | _CONFIG)
        self.fault = False

    def begin(self):
        """Nothing: the four inputs share one converter, which works when it is read."""

    def read(self):
        """Convert and give the count; an end of the converter's range is a mark and no count."""
        try:
            self._i2c.writeto_mem(self._address, 1, self._config)
            for _ in range(_MOST_POLLS):
                time.sleep_ms(_CONVERSION_MS)
                if self._i2c.readfrom_mem(self._address, 1, 2)[0] & 0x80:
                    (count,) = struct.unpack(">h", self._i2c.readfrom_mem(self._address, 0, 2))
                    self.fault = False
                    return "+" if count == 32767 else "-" if count == -32768 else count
        except OSError:
            pass
        self.fault = True
        return None


class Barometer:
    """Pressure in Pa. It measures on its own, all the time; its correction is done here, in whole numbers."""

    def __init__(self, i2c, address):
        """The barometer at `address`."""
        self._i2c, self._address = i2c, address
        self._trim = None
        self.fault = False

    def begin(self):
        """Wake it, also after it was away: it forgets its mode with its supply."""
        try:
            if self._trim is None or self._i2c.readfrom_mem(self._address, 0xF4, 1)[0] != 0x57:
                self._trim = struct.unpack("<HhhHhhhhhhhh", self._i2c.readfrom_mem(self._address, 0x88, 24))
                # filter 4, half a second between measurements; then ×2 temperature, ×16 pressure, normal mode
                self._i2c.writeto_mem(self._address, 0xF5, b"\x88")
                self._i2c.writeto_mem(self._address, 0xF4, b"\x57")
        except OSError:
            self._trim = None
        self.fault = self._trim is None

    def read(self):
        """Pa, or None."""
        if self._trim is None:
            return None
        try:
            raw = self._i2c.readfrom_mem(self._address, 0xF7, 6)
        except OSError:
            self._trim = None
            self.fault = True
            return None
        pressure = raw[0] << 12 | raw[1] << 4 | raw[2] >> 4
        if pressure == 0x80000:  # what it says before its first measurement
            return None
        temperature = raw[3] << 12 | raw[4] << 4 | raw[5] >> 4
        return (barometer_Pa256(self._trim, temperature, pressure) + 128) >> 8


def barometer_Pa256(trim, raw_temperature, raw_pressure):
    """Corrected pressure in 1/256 Pa, by the datasheet's 64-bit whole-number arithmetic (BMP280, section 3.11.3)."""
    t1, t2, t3, p1, p2, p3, p4, p5, p6, p7, p8, p9 = trim
    coarse = ((raw_temperature >> 3) - (t1 << 1)) * t2 >> 11
    square = (raw_temperature >> 4) - t1
    fine = coarse + ((square * square >> 12) * t3 >> 14)
    x = fine - 128000
    slope = x * x * p6 + (x * p5 << 17) + (p4 << 35)
    scale = (x * x * p3 >> 8) + (x * p2 << 12)
    scale = ((1 << 47) + scale) * p1 >> 33
    if scale == 0:
        return 0
    # C divides towards zero, Python downwards: they differ where the left side is negative, far below any weather
    pressure = ((1048576 - raw_pressure << 31) - slope) * 3125 // scale
    return (pressure + (p9 * (pressure >> 13) * (pressure >> 13) >> 25) + (p8 * pressure >> 19) >> 8) + (
        p7 << 4
    )


class Thermometer:
    """1/16 °C a count. A measurement takes 750 ms: begun before the sample, read with it.

    What was not measured anew since the last sample is None: a last good value is never sent again.
    """

    MEASURE_MS = 750

    def __init__(self, wire, ticks_ms, ticks_diff):
        """The only thermometer on `wire` (a `onewire.OneWire`)."""
        self._wire, self._ticks_ms, self._ticks_diff = wire, ticks_ms, ticks_diff
        self._begun = None
        self.fault = False

    def begin(self):
        """Start a measurement unless one is under way."""
        if self._begun is None:
            self.fault = not self._command(0x44)
            if not self.fault:
                self._begun = self._ticks_ms()

    def read(self):
        """Give a measurement that is ready and has not been given yet."""
        if self._begun is None or self._ticks_diff(self._ticks_ms(), self._begun) < self.MEASURE_MS:
            return None
        self._begun = None
        if not self._command(0xBE):
            self.fault = True
            return None
        data = bytes([self._wire.readbyte() for _ in range(9)])
        # all zeros has a right check too; a true scratchpad never is
        self.fault = self._wire.crc8(data) != 0 or not any(data)
        return None if self.fault else struct.unpack("<h", data[:2])[0]

    def _command(self, command):
        if not self._wire.reset():
            return False
        self._wire.writebyte(0xCC)
        self._wire.writebyte(command)
        return True
