"""Reference firmware of a rig, protocol 1: puts config.py, the board and the loop together."""

import os
import struct
import time

import config
import machine
import onewire
from rig_loop import Loop
from rig_sensors import Barometer, ConverterInput, Thermometer
from rig_state import Rig
from rig_time import Pacer

FIRST_SAMPLE_MS = 1000


def reset_event():
    """Why the rig started, as (code, text) of an event."""
    cause = machine.reset_cause()
    if cause == machine.WDT_RESET:
        return "watchdog", "the watchdog ended the boot before"
    for name in ("PWRON_RESET", "HARD_RESET", "SOFT_RESET", "DEEPSLEEP_RESET"):
        if getattr(machine, name, None) == cause:
            return "reset", name
    return "reset", f"cause {cause}"


def driver(kind, where, i2c):
    """The driver of one channel."""
    if kind == "converter":
        return ConverterInput(i2c, *where)
    if kind == "barometer":
        return Barometer(i2c, where)
    if kind == "thermometer":
        return Thermometer(onewire.OneWire(machine.Pin(where)), time.ticks_ms, time.ticks_diff)
    raise ValueError(f"config.CHANNELS: no such kind: {kind}")


def build():
    """Everything, ready to run. What is wrong with config.py shows here, before the watchdog is on."""
    names = [name for name, _, _ in config.CHANNELS]
    (boot,) = struct.unpack("<I", os.urandom(4))
    pacer = Pacer(time.ticks_ms(), time.ticks_diff, config.PERIOD_MS, FIRST_SAMPLE_MS)
    rig = Rig(
        config.RIG, config.FIRMWARE, names, config.PERIOD_MS, boot, config.DEPTH, config.LEAST_PERIOD_MS
    )
    bus = config.I2C
    i2c = machine.I2C(bus["id"], sda=machine.Pin(bus["sda"]), scl=machine.Pin(bus["scl"]), freq=bus["hz"])
    inputs = [driver(kind, where, i2c) for _, kind, where in config.CHANNELS]
    port = config.UART
    uart = machine.UART(
        port["id"],
        port["baud"],
        tx=machine.Pin(port["tx"]),
        rx=machine.Pin(port["rx"]),
        txbuf=512,
        rxbuf=1024,
        timeout=0,
    )
    supply = None
    if config.SUPPLY in names:
        supply = (names.index(config.SUPPLY), config.SUPPLY_LOW, config.SUPPLY_GOOD)
    watchdog = machine.WDT(timeout=config.WATCHDOG_MS)
    return Loop(rig, pacer, inputs, uart, watchdog, reset_event(), supply)


build().run()
