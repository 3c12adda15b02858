"""What is different from rig to rig. Only this file is edited for a rig of one's own."""

RIG = "bay-2"
FIRMWARE = "ref-1"
PERIOD_MS = 1000
# The converter needs some 4 ms an input, the rest is left for the line.
LEAST_PERIOD_MS = 100
# Samples kept until they are acknowledged: an hour at one a second, in 115 kB of memory.
DEPTH = 3600

UART = {"id": 0, "baud": 115200, "tx": 0, "rx": 1}
I2C = {"id": 0, "sda": 4, "scl": 5, "hz": 400000}

# name, kind, where: (address, input) of a converter, address of a barometer, pin of a thermometer
CHANNELS = (
    ("front_left.pressure", "converter", (0x48, 0)),
    ("front_right.pressure", "converter", (0x48, 1)),
    ("rear_left.pressure", "converter", (0x48, 2)),
    ("rear_right.pressure", "converter", (0x48, 3)),
    ("ambient.temperature", "thermometer", 15),
    ("ambient.pressure", "barometer", 0x76),
    ("rig.supply_voltage", "converter", (0x49, 0)),
)

# Counts of rig.supply_voltage, 187.5 µV each: 4.4 V, and 4.5 V before it counts as recovered.
SUPPLY = "rig.supply_voltage"
SUPPLY_LOW = 23467
SUPPLY_GOOD = 24000

WATCHDOG_MS = 8000
