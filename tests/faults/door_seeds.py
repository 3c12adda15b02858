"""Valid examples of whatever can be given to the program."""

from __future__ import annotations

import json
import math

from logger.protocol import Acknowledge, Identify, Identity, Resend, RigEvent, Sample, SetPeriod, encode


def recording(*, clock: bool, rows: int = 24, step_s: float = 600.0, standing: bool = False) -> bytes:
    """A small one: a section that cools and leaks, one that only cools."""
    header = [
        "time" if clock else "elapsed_s",
        "front_left.pressure_kPa",
        "rear_right.pressure_kPa",
        "ambient.temperature_degC",
        "ambient.pressure_kPa",
    ]
    if standing:
        header += ["front_left.height_mm", "rear_right.height_mm"]
    else:
        header.append("front_left.gas_degC")
    lines = [",".join(header)]
    for n in range(rows):
        second = int(n * step_s)
        moment = (
            f"2027-01-15T{18 + second // 3600 % 6:02}:{second // 60 % 60:02}:00Z" if clock else f"{second}"
        )
        air = 5.0 + 8.0 * math.exp(-n / 6.0)
        left, right = (700.0 * (273.15 + air) / 286.15 * (1.0 - loss * n) for loss in (2e-3, 0.0))
        more = [f"{612.0 - 0.3 * n:.1f}", "610.2"] if standing else [f"{air + 1.0:.2f}"]
        lines.append(
            ",".join([moment, f"{left:.3f}", f"{right:.3f}", f"{air:.2f}", f"{100.8 + 0.01 * n:.2f}", *more])
        )
    return "\n".join(lines).encode()


RECORDINGS = (
    recording(clock=True), recording(clock=False), recording(clock=False, rows=40, step_s=60.0),
    recording(clock=True, standing=True),
    b'"time","a.pressure_kPa"\n"2027-01-15T18:00:00+01:00","700.1"\n2027-01-15 18:10:00.25Z,699.8\n',
)  # fmt: skip
TAPES = (
    b"elapsed_s,front_left.height_mm,rear_right.height_mm,uncertainty_mm\n0,612,610,1\n7200,611,610,\n13800,608,,0.5\n",
    b"time,front_left.height_mm\n2027-01-15T18:00:00Z,612\n2027-01-15T21:30:00+00:00,609\n",
)
POINTS = (
    b"read_bar,true_bar,uncertainty_bar,temperature_degC\n0.02,0,0.004,20\n4.03,4,0.004,20\n8.03,8,0.004,20\n4.04,4,0.004,20\n",
    b"true_kPa,read_kPa\n0,1.5\n400,402.5\n400,402.6\n400,402.4\n800,803\n",
    b"read_mbar,true_Pa\n20,0\n4030,400000\n8030,800000\n",
)
TYPED = (
    b"16 bar", b"-12 degC", b"2 %/day", b"0.02 %/K", b"3.2 L", b"250 mm", b"14 h", b"187.5 uV", b"10 kohm",
    b"1e-3 mbar*L/s", b"5 mm/day",
    b"0.2 bar/day", b"5 kg", b"4 mA", b"2 K", b"10 %", b"8.03 bar = 8 bar",
    b"8.03 bar = 8 bar \xc2\xb1 4 mbar @ -11.5 degC", b"1 N/m^2",
    b"3 m**3", b"1 (kg*m/s**2)/m**2", b"12 1/K", b"4 ft3",
)  # fmt: skip
SETTINGS = (
    b"""[rig]
name = "bay-2"
port = "/dev/ttyUSB0"
baud = 115200
period = "1 s"
clock = "rig"
begin = 2027-01-15T18:00:00Z
longitude = 11.5
[soak]
support = "standing"
gas = "dry air"
threshold = "2 %/day"
planned_length = "14 h"
planned_cold = "-10 degC"
[pressure_sensor]
reference = "sealed"
full_scale = "16 bar"
temperature_coefficient = "0.02 %/K"
sealed_reference = "1 bar"
[sections.front_left]
gas_column = "250 mm"
gas_column_uncertainty = "10 %"
reference_height = "612 mm"
volume = "3.2 L"
rig_volume = "20 mL"
encloses = ["front left strut", "line"]
threshold = "3 mm/day"
floor = "1 bar"
limit = "14 bar"
pressure_sensor = { reference = "gauge", full_scale = "10 bar" }
[sections.rear_right]
gas_column = "240 mm"
[journal]
path = "bay-2.journal"
keep = "400 day"
""",
    b"""[channels."front_left.pressure"]
converter = "ratiometric"
adc_full_scale = "6.144 V"
adc_bits = 16
supply = "rig.supply_voltage"
range = ["0 bar", "16 bar"]
signal_low = "10 %"
signal_high = "90 %"
divider = 1.5
idle = "high"
limits = ["-1 bar", "20 bar"]
stuck_after = "20 min"
[channels."front_left.pressure".calibration]
date = 2026-11-02
reference = "dead weight tester, certificate 114"
points = [["0.02 bar", "0 bar"], ["8.03 bar", "8 bar"]]
residuals = ["0.2 kPa", "-0.2 kPa"]
uncertainty = "0.6 kPa"
zero_drift = "0.004 %/K"
[channels."ambient.temperature"]
converter = "thermistor"
supply = "5 V"
pull_up = "10 kohm"
steinhart_hart = [1.129241e-3, 2.341077e-4, 8.775468e-8]
[channels."rear_right.gas_temperature"]
converter = "pt1000"
lead = "0.4 ohm"
calibration = { zero = "-0.4 K", span = 1.0021 }
[channels."rear_right.height"]
converter = "digital"
step = "0.1 mm"
offset = "0 mm"
signed_bits = 16
""",
    b"""[mqtt]
host = "broker"
port = 8883
user = "bay"
password = "x"
tls = true
root = "cornerhold/north"
[influx]
url = "https://influx:8086"
org = "o"
bucket = "b"
token = "t"
[notify]
urls = ["mailto://a@b"]
summary = "06:30"
repeat = "3 h"
[page]
host = "0.0.0.0"
port = 8460
token_sha256 = "0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef"
""",
)
SCENARIOS = (
    b"""seed = 3
[rig]
name = "v"
buffer_depth = 600
speed = 10.0
uptime_ms = 4294900000
boot = 7
wait_for_host = true
[soak]
support = "blocked"
gas = "nitrogen"
length = "2 h"
period = "60 s"
begin = 2027-01-15T18:00:00Z
[weather]
mean = "-3 degC"
trend_per_day = "-1 K"
day_swing = "4 K"
pressure = "1010 mbar"
[car]
shop = "20 degC"
roll_out = "10 min"
driven = true
[sections.front_left]
fill = "7 bar"
gas_temperature = "20 degC"
[sections.rear_right]
[pressure_sensor]
reference = "gauge"
full_scale = "16 bar"
[sensors]
barometer = true
heights = false
gas_temperature = true
dropouts_per_day = 2.0
[[leaks]]
section = "front_left"
loss = "10 %/day"
below = "-2 degC"
law = "porous"
[[events]]
kind = "door"
at = "1 h"
size = "20 mbar"
[[faults]]
kind = "stuck"
at = "30 min"
lasts = "10 min"
channel = "front_left.pressure"
""",
)
WEATHERS = (
    b"weather\nelapsed_h,temperature_degC,pressure_kPa,clearness,wind\n0,4,101.2,0.5,1\n1,3.5,101.1,0.6,1\n3,3,101.0,1,0.5\n",
    b"weather\nelapsed_h,temperature_degC\n0,4\n2.5,-3\n",
)


def findings(**changed: object) -> dict[str, object]:
    """As `analyse --json` writes them."""
    section = {
        "name": "front_left", "verdict": "leaking", "loss_per_day": 0.11, "loss_per_day_interval95": [0.08, 0.14],
        "threshold_per_day": 0.02,
        "probability_over_threshold": 0.999, "cold_onset_degC": -4.0, "cold_onset_interval95_degC": [-6.0, -2.0],
        "loss_per_day_below_onset": 0.3, "leak_rate_Pa_m3_per_s": None, "sink_mm_per_day": None,
        "coldest_gas_degC": -8.25, "hours_used": 13.5,
        "alarms": [{"kind": "leak", "raised": "2027-01-16T02:00:00Z", "cleared": None}], "notes": ["A note."],
    }  # fmt: skip
    tight = section | {
        "name": "rear_right", "verdict": "tight", "loss_per_day": 0.001, "loss_per_day_interval95": [-0.004, 0.006],
        "probability_over_threshold": 0.0, "cold_onset_degC": None, "cold_onset_interval95_degC": None,
        "loss_per_day_below_onset": None, "alarms": [],
    }  # fmt: skip
    whole: dict[str, object] = {
        "cornerhold": "findings/1", "recording": "weekend.csv", "support": "blocked", "gas": "nitrogen",
        "begin": "2027-01-15T18:00:00Z",
        "end": "2027-01-16T08:00:00Z", "hours": 14.0, "coldest_ambient_degC": -9.5, "sections": [section, tight],
    }  # fmt: skip
    return whole | changed


FINDINGS = tuple(
    json.dumps(one).encode()
    for one in (
        findings(),
        findings(begin="2027-01-20T18:00:00Z", end="2027-01-21T08:00:00Z", support="standing"),
    )
)
JOBS = (
    b"""[components]
"front left strut" = "15 %"
line = "5 %"
[[soak]]
name = "monday"
found = "found.json"
settings = "s.toml"
encloses = { front_left = ["front left strut", "line"], rear_right = ["rear right strut"] }
[[soak]]
name = "tuesday"
[[soak.section]]
name = "all"
verdict = "leaking"
coldest = "-12 degC"
encloses = ["front left strut", "rear right strut", "line"]
""",
)
JOB_SETTINGS = b'[sections.front_left]\nencloses = ["front left strut", "line"]\n'
ACKNOWLEDGEMENTS = (b"", b"{}", b'{"alarm": "1a2b-1", "by": "Mara"}', b'{"by": "Mara"}')
_IDENTITY = Identity(
    1, "bay-2", "1.4", 1000, 7, 0, 40, ("front_left.pressure", "ambient.temperature", "rig.supply_voltage")
)
LINES = (
    encode(_IDENTITY)
    + b"".join(encode(Sample(7, n, 1000 * n, (22720 - n, 160, None))) for n in range(12))
    + encode(RigEvent(7, 4000, "brownout", "3.9 V")),
    encode(Identity(1, "bay-2", "1.4", 1000, 8, 3, 2, ("a.pressure",)))
    + encode(Sample(8, 3, 4294967295, ("+",)))
    + encode(Sample(8, 4, 3, ("-",))),
    encode(Identify()) + encode(Resend(7, 3)) + encode(SetPeriod(1000)) + encode(Acknowledge(7, 11)),
)
REQUESTS = tuple(
    b"\r\n".join((first, b"Host: 127.0.0.1:8460", *more, b"", body))
    for first, more, body in (
        (b"GET / HTTP/1.1", (), b""),
        (b"GET /rigs/bay HTTP/1.1", (b"Accept: */*",), b""),
        (b"GET /now?key=bay HTTP/1.1", (), b""),
        (b"GET /api/rigs HTTP/1.1", (b"Authorization: Bearer TOKEN",), b""),
        (b"GET /api/rigs/bay HTTP/1.1", (b"Cookie: session=abc; b=c",), b""),
        (b"GET /api/rigs/bay/alarms HTTP/1.1", (), b""),
        (b"GET /api/rigs/bay/course HTTP/1.1", (), b""),
        (b"GET /api/rigs/gone HTTP/1.1", (), b""),
        (b"GET /page.css HTTP/1.1", (), b""),
        (b"GET /login HTTP/1.1", (), b""),
        (b"POST /login HTTP/1.1", (b"Content-Type: application/x-www-form-urlencoded", b"Content-Length: 11"),
        b"token=TOKEN"),
        (b"POST /logout HTTP/1.1", (b"Content-Type: application/x-www-form-urlencoded", b"Content-Length: 8"),
        b"secret=x"),
        (
            b"POST /rigs/bay/acknowledge HTTP/1.1",
            (b"Content-Type: application/x-www-form-urlencoded", b"Content-Length: 29", b"Cookie: session=abc"),
            b"alarm=1a2b-1&secret=x&by=Mara",
        ),
        (
            b"POST /rigs/bay/acknowledge HTTP/1.1",
            (b"Content-Type: multipart/form-data; boundary=B", b"Content-Length: 87"),
            b'--B\r\nContent-Disposition: form-data; name="alarm"\r\n\r\n1a2b-1\r\n--B\r\nContent-Disposition: f; n\r\n',
        ),
    )
)  # fmt: skip
WORDS = (
    b"time", b"elapsed_s", b"front_left", b"pressure_kPa", b"height_mm", b"gas_degC", b"ambient",
    b"temperature_degC", b"bar", b"kPa", b"degC", b"K",
    b"%/day", b"mm/day", b"standing", b"blocked", b"sealed", b"shop air", b"digital", b"linear", b"pt1000",
    b"current_loop", b"uncertainty_mm",
    b"read_bar", b"true_K", b"found.json", b"/dev/zero", b"/dev/full", b"/dev/null", b".", b"..", b"s.toml",
    b"m**9**9**9**9", b"m**99999999", b"1/s", b"/K",
    b"Content-Length: 99999999", b"Transfer-Encoding: chunked", b"session=", b"Host: evil", b"..%2f", b"%00",
    b"%ff", b"?key=", b"bay",
)  # fmt: skip
