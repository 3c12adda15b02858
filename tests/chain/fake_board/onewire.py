"""One DS18B20 on one wire, or none: the scratchpad as the datasheet lays it out, CRC-8/MAXIM-DOW behind it."""

import struct

from machine import world


def crc8(data):
    value = 0
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ (0x8C if value & 1 else 0)
    return value


class OneWire:
    def __init__(self, _pin):
        self._out = []
        self._word = 0x0550  # 85 °C: what it has before it has ever measured

    def reset(self):
        return world.facts().get("thermometer") is not None

    def writebyte(self, byte):
        if byte == 0x44:
            word = world.facts().get("thermometer")
            if word is not None:  # it may have been taken off since the reset
                self._word = word
        elif byte == 0xBE:
            data = struct.pack("<H", self._word) + b"\x4b\x46\x7f\xff\x0c\x10"
            self._out = list(data + bytes([crc8(data)]))

    def readbyte(self):
        return self._out.pop(0)

    def crc8(self, data):
        return crc8(data)
