"""The reference firmware's pure parts against the test vectors, under CPython and under MicroPython alike.

    micropython firmware_checks.py vectors.json

prints how many of each kind held, and ends with an error at the first that doesn't.
"""

import json
import struct
import sys

import rig_line
from rig_ring import Ring
from rig_sensors import barometer_Pa256
from rig_state import Rig
from rig_time import Pacer

KINDS = {"?": "identify", "R": "resend", "A": "acknowledge", "P": "period"}


def meaning(command):
    found = {"kind": KINDS[command[0]]}
    if command[0] in ("R", "A"):
        found["boot"], found["seq"] = command[1:]
    elif command[0] == "P":
        found["period_ms"] = command[1]
    return found


def line_for(means):
    """What the firmware sends for a record."""
    if means["kind"] == "identity":
        return rig_line.identity_line(
            means["rig"],
            means["firmware"],
            means["period_ms"],
            means["boot"],
            means["first_seq"],
            means["last_seq"],
            means["channels"],
        )
    if means["kind"] == "sample":
        return rig_line.sample_line(means["boot"], means["seq"], means["uptime_ms"], means["values"])
    return rig_line.event_line(means["boot"], means["uptime_ms"], means["code"], means["text"])


def same(found, expected, what):
    if found != expected:
        raise AssertionError(f"{what}: {found!r}, not {expected!r}")


def check_crc(vectors):
    for vector in vectors["crc"]:
        same(rig_line.crc16(bytes.fromhex(vector["hex"])), int(vector["crc"], 16), vector["hex"])
    return len(vectors["crc"])


def check_rig(vectors):
    for vector in vectors["rig"]:
        content, _, digits = vector["line"].rpartition("*")
        # the firmware's own checks are in upper case
        same(line_for(vector["means"]), f"{content}*{digits.upper()}\n".encode(), vector["note"])
    return len(vectors["rig"])


def check_host(vectors):
    for vector in vectors["host"]:
        same(meaning(rig_line.parse_host(vector["line"].encode())), vector["means"], vector["line"])
    return len(vectors["host"])


def check_refused(vectors):
    from_host = [vector for vector in vectors["refused"] if vector["from"] == "host"]
    for vector in from_host:
        line = bytes.fromhex(vector["hex"]) if "hex" in vector else vector["line"].encode()
        same(rig_line.parse_host(line), None, vector["note"])
    return len(from_host)


def check_framing(vectors):
    for vector in vectors["framing"]:
        reader = rig_line.LineReader()
        lines = []
        for piece in vector["pieces"]:
            text = piece if isinstance(piece, str) else piece["repeat"] * piece["times"]
            lines += reader.feed(text.encode())
        same([line.decode() for line in lines], vector["lines"], vector["note"])
        same(reader.overlong, vector["overlong"], vector["note"])
    return len(vectors["framing"])


def check_conversations(vectors):
    for vector in vectors["conversations"]:
        options = vector["rig"]
        rig = Rig(
            options["rig"],
            options["firmware"],
            options["channels"],
            options["period_ms"],
            options["boot"],
            options["depth"],
        )
        for step in vector["steps"]:
            if "sample" in step:
                rig.take(step["uptime_ms"], step["sample"])
            elif "host" in step:
                rig.hear(step["host"].encode())
            elif "rig" in step:
                for line in step["rig"]:
                    same(rig.next_line(), line.encode() + b"\n", vector["name"])
            else:
                same(rig.next_line(), None, vector["name"])
    return len(vectors["conversations"])


def check_ring(_vectors):
    """A ring of three against a list that remembers everything."""
    ring, taken, forgotten = Ring(3, 2), [], -1
    for seq in range(40):
        values = [seq - 20, (None, "+", "-", 2147483646, -2147483646)[seq % 5]]
        same(ring.push(seq * 7, values), len(taken) - forgotten > 3, "overwritten")
        taken.append((seq * 7, values))
        if seq % 7 == 3:
            ring.forget(seq - 1)
            forgotten = seq - 1
        forgotten = max(forgotten, seq - 3)
        same((ring.first_seq, ring.last_seq), (forgotten + 1, seq), "range")
        for held in range(-1, seq + 3):
            expected = taken[held] if forgotten < held <= seq else None
            same(ring.get(held), expected, f"sample {held} after {seq}")
    return 40


def check_room(_vectors):
    names = ["front_left.pressure", "ambient.temperature"]
    room = rig_line.identity_room("bay-2", "1", names)
    longer = "x" * room
    Rig("bay-2" + longer, "1", names, 1000, 1, 1)
    try:
        Rig("bay-2x" + longer, "1", names, 1000, 1, 1)
    except ValueError as error:
        same("too long by 1 bytes" in str(error), True, "reason")
    else:
        raise AssertionError("an identity that doesn't fit was accepted")
    return 2


def check_pacer(_vectors):
    """Late passes don't shift the grid; the ticks wrap, the uptime doesn't."""
    wrap = 1 << 30
    pacer = Pacer(wrap - 500, lambda later, earlier: (later - earlier) % wrap, 100, 100)
    taken, missed = [], 0
    for now in range(0, 2000, 7):
        if 700 < now < 1050:
            continue  # the loop was held up
        pacer.advance((wrap - 500 + now) % wrap)
        if pacer.is_due():
            taken.append(now)
            missed += pacer.step()
        if now == 1204:
            pacer.set_period(50)
    # the first pass at or after each multiple of 100, then of 50; 800 to 1000 fell into the hold-up
    expected = [first for first in range(0, 2000, 7) if first % 100 < 7 and 100 <= first <= 700]
    same(taken[: len(expected)], expected, "on the grid")
    late = taken[len(expected)]
    same((late, missed), (1050, 2), "late")
    after = [time for time in taken if time > late]
    same(after[0], 1106, "back on the old grid")
    same(all(time % 50 < 7 for time in after), True, "on the new grid")
    same(len(after), 17, "how many")
    pacer = Pacer(0, lambda later, earlier: later - earlier, 60000, 0)
    pacer.advance(0)
    pacer.step()
    pacer.advance(59900)
    pacer.set_period(100)
    same((pacer.is_due(), pacer.step()), (True, 0), "a shorter period misses nothing")
    return len(taken)


def check_barometer(_vectors):
    """The BMP280 datasheet's worked example (section 3.12): 25767233 in 1/256 Pa by whole numbers."""
    trim = (27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
    same(len(struct.pack("<HhhHhhhhhhhh", *trim)), 24, "trim")
    same(barometer_Pa256(trim, 519888, 415148), 25767233, "pressure")
    return 1


CHECKS = (
    check_crc,
    check_rig,
    check_host,
    check_refused,
    check_framing,
    check_conversations,
    check_ring,
    check_room,
    check_pacer,
    check_barometer,
)


def main():
    with open(sys.argv[1]) as file:
        vectors = json.load(file)
    for check in CHECKS:
        print(check.__name__, check(vectors))


if __name__ == "__main__":
    main()
