"""Every door: what is given, and the product's own code that takes it."""

from __future__ import annotations

import contextlib
import io
import json
import re
from importlib import import_module
from typing import TYPE_CHECKING

from logger import units
from tests.faults import door_seeds as seeds
from tests.faults.door_files import BOOK_SEEDS, SMALL_SEEDS, of_books, of_small_files
from tests.faults.door_http import of_requests
from tests.faults.fuzz import Door, FaultError, Try, run_command, spent, unplain
from tests.faults.mutate import Mutator

if TYPE_CHECKING:
    from pathlib import Path

    from logger.protocol import RigRecord
    from logger.settings import Settings

MOST_JUDGED, MOST_PLAYED = 400, 2000
"""Rows up to which a recording is also judged, a scenario played: what takes long for good reason is no hang."""


# -- the serial line ---------------------------------------------------------------------------------------------------


def with_checks(data: bytes) -> bytes:
    """Every line with the right CRC, so that what is inside is looked at."""
    from logger.protocol import crc16  # noqa: PLC0415

    def right(line: bytes) -> bytes:
        content, star, _ = line.rpartition(b"*")
        return content + b"*%04X" % crc16(content) if star else line

    return b"\n".join(map(right, data.split(b"\n")))


def _serial(_: Path) -> Try:
    from logger.conversation import Conversation  # noqa: PLC0415
    from logger.framing import LineSplitter  # noqa: PLC0415
    from logger.protocol import LineFault, Sample, decode_host, decode_rig, encode  # noqa: PLC0415

    def take(data: bytes) -> str | None:
        splitter, conversation = LineSplitter(), Conversation(period_ms=1000)
        conversation.opened(0.0)
        records: list[RigRecord] = []
        now_s, cut = 0.0, len(data) // 3
        for line in (*splitter.feed(data[:cut]), *splitter.feed(data[cut:])):
            with contextlib.suppress(LineFault):
                command = decode_host(line)
                encode(command)
            try:
                record = decode_rig(line)
            except LineFault:
                continue
            if isinstance(record, Sample):
                record.values  # noqa: B018  read from the text only when asked
            records.append(record)
            now_s += 0.3
            conversation.hear(record, now_s)
            conversation.tick(now_s)
            conversation.take_items()
            for asked in conversation.take_commands():
                encode(asked)
        conversation.finish(now_s)
        return None if records else "nothing was taken"

    return take


# -- texts -------------------------------------------------------------------------------------------------------------


def _acknowledgement(_: Path) -> Try:
    from analysis.publisher import _acknowledgement as read  # noqa: PLC0415

    return lambda data: None if read(data) is not None else "malformed"


def _units(_: Path) -> Try:
    from analysis.calibration_points import typed_point  # noqa: PLC0415
    from analysis.typed import meant, read_option  # noqa: PLC0415
    from logger.errors import PlainError  # noqa: PLC0415

    kinds = units._KINDS
    calls = (
        *(lambda text, kind=kind: units.quantity(text, kind) for kind in kinds),
        lambda text: units.quantity_of_any(text, (units.LOSS, units.SINKING, units.PRESSURE_LOSS, units.LEAK)),
        lambda text: typed_point(text, "pressure_Pa"),
        lambda text: read_option("--fill", text, units.PRESSURE, 0.0, 2e6),
        lambda text: meant(text, units.PRESSURE, 0.0, 2e6),
    )  # fmt: skip

    def take(data: bytes) -> str | None:
        text = data.decode("utf-8", "surrogateescape")
        refusals = []
        for call in calls:
            try:
                call(text)
            except PlainError as error:
                refusals.append(str(error))
        wrong = next((one for one in refusals if unplain(one) is not None), None)
        return wrong or (refusals[0] if len(refusals) >= len(calls) - 1 else None)

    return take


# -- files -------------------------------------------------------------------------------------------------------------


def _settings(folder: Path) -> Try:
    from analysis.settings_editor import EditError, edited  # noqa: PLC0415
    from logger.channels import Conversion  # noqa: PLC0415
    from logger.settings import load_settings  # noqa: PLC0415

    path = folder / "s.toml"

    def take(data: bytes) -> str | None:
        path.write_bytes(data)
        settings = load_settings(path)
        for name in (*settings.channels, "front_left.pressure"):
            Conversion(settings)
            settings.sensor_of(name.partition(".")[0])
        with contextlib.suppress(EditError):
            edited(
                data.decode("utf-8"),
                {("channels", "front_left.pressure", "calibration"): {"span": 1.001}},
                path,
            )
        return None

    return take


def _scenario(folder: Path) -> Try:
    from logger.virtual.scenario import load_scenario  # noqa: PLC0415

    path = folder / "scenario.toml"

    def take(data: bytes) -> None:
        weather, _, rest = data.partition(b"\n")
        if weather == b"weather":
            (folder / "weather.csv").write_bytes(rest)
            data = b'[soak]\nlength = "2 h"\nperiod = "60 s"\n[weather]\nfile = "weather.csv"\n'
        path.write_bytes(data)
        scenario = load_scenario(path)
        if scenario.plan.hours * 3600.0 / scenario.plan.period_s <= MOST_PLAYED:
            scenario.table()

    return take


def _recording(folder: Path) -> Try:
    from analysis.recording import read_recording  # noqa: PLC0415

    path = folder / "r.csv"

    def take(data: bytes) -> None:
        path.write_bytes(data)
        read_recording(path)

    return take


def _judged(_: Path) -> Try:
    """What can be read is also judged and told: a tenth of a second each."""
    from analysis.findings_table import tell  # noqa: PLC0415
    from analysis.judge import analyse_readings  # noqa: PLC0415
    from analysis.recording import parse_recording  # noqa: PLC0415
    from logger.settings import settings_from_text  # noqa: PLC0415

    by: tuple[Settings, ...] = (
        settings_from_text("[rig]\nlongitude = 11.0\n"),
        settings_from_text(
            '[soak]\nsupport = "standing"\n[sections.front_left]\ngas_column = "250 mm"\nvolume = "3 L"\n'
        ),
    )

    def take(data: bytes) -> None:
        readings = parse_recording(data, "r.csv")
        if len(readings.time_s) > MOST_JUDGED:
            return
        found = analyse_readings(readings, by[b"height" in data], "r.csv")
        json.dumps(found, allow_nan=False)
        with contextlib.redirect_stdout(io.StringIO()):
            tell(found)

    return take


def _tape(folder: Path) -> Try:
    from analysis.recording import parse_recording  # noqa: PLC0415
    from analysis.tape_file import read_tape, tape_csv  # noqa: PLC0415

    readings = [parse_recording(seeds.recording(clock=clock)) for clock in (True, False)]
    path = folder / "tape.csv"

    def take(data: bytes) -> None:
        path.write_bytes(data)
        heights = read_tape(path, readings[b"elapsed_s" in data])
        tape_csv([("2027-01-15T18:05:00Z", one.section, one.height_m, one.deviation_m) for one in heights])

    return take


def _points(folder: Path) -> Try:
    from analysis.calibration import calibrate  # noqa: PLC0415
    from analysis.calibration_points import points_from_file  # noqa: PLC0415
    from analysis.calibration_target import changes, demands_of, find_channel  # noqa: PLC0415
    from analysis.calibration_words import sentences, table_of  # noqa: PLC0415
    from logger.clock import utc_from_us  # noqa: PLC0415
    from logger.settings import default_settings  # noqa: PLC0415

    path, settings, name = folder / "points.csv", default_settings(), "front_left.pressure"
    channel = find_channel(settings, name)
    demands = demands_of(settings, name, channel, None, None)

    def take(data: bytes) -> None:
        path.write_bytes(data)
        found = calibrate(points_from_file(path, channel.quantity), "line", demands)
        changes(found, settings, name, channel.quantity, utc_from_us(0).date(), "")
        sentences(found, channel.quantity, demands.full_scale)
        table_of(found, channel.quantity, name, demands.residual_limit)

    return take


def _findings(folder: Path) -> Try:
    from analysis.compare import compare_section, conditions  # noqa: PLC0415
    from analysis.found import findings_from  # noqa: PLC0415
    from analysis.job import job_of  # noqa: PLC0415
    from analysis.suspects import weigh  # noqa: PLC0415
    from analysis.suspects_words import said, sentences  # noqa: PLC0415
    from analysis.wording import loss_words  # noqa: PLC0415

    path = folder / "found.json"
    sound = json.loads(seeds.FINDINGS[0])

    def take(data: bytes) -> None:
        path.write_bytes(data)
        found = findings_from(str(path))
        for first, second in ((sound, found), (found, sound)):
            later = {section["name"]: section for section in second["sections"]}
            for section in first["sections"]:
                if section["name"] in later:
                    json.dumps(compare_section(section, later[section["name"]]).as_dict(), allow_nan=False)
            conditions(first, second)
        for section in found["sections"]:
            loss_words(section)
        job = job_of([("monday", found, {"front_left": ("strut", "line"), "rear_right": ("line",)})])
        sentences(said(job, weigh(job.priors, job.observations)))

    return take


def _job(folder: Path) -> Try:
    from analysis.job import read_job  # noqa: PLC0415
    from analysis.suspects import weigh  # noqa: PLC0415
    from analysis.suspects_words import said, sentences  # noqa: PLC0415

    (folder / "found.json").write_bytes(seeds.FINDINGS[0])
    (folder / "s.toml").write_bytes(seeds.JOB_SETTINGS)
    path = folder / "job.toml"

    def take(data: bytes) -> None:
        path.write_bytes(data)
        job = read_job(path)
        sentences(said(job, weigh(job.priors, job.observations)))

    return take


# -- the command line itself -------------------------------------------------------------------------------------------


_IMPORTED = """
analysis.analyse_command analysis.calibrate_command analysis.calibration_words analysis.compare analysis.plots
analysis.report analysis.report_data analysis.suspects analysis.words
matplotlib.figure matplotlib.dates matplotlib.backends.backend_svg
matplotlib.font_manager scipy.stats
"""


def _commands(folder: Path) -> Try:
    """The first line of the input says which file it is for; all commands that take such a file are called by turns."""
    # imported once, not in each child
    for module in _IMPORTED.split():
        import_module(module)
    units.quantity("1 bar", units.PRESSURE)

    calls = {
        b"recording": ("analyse INPUT", "analyse INPUT --json", "report INPUT -o r.html", "compare INPUT INPUT"),
        b"tape": ("analyse standing.csv --tape INPUT",),
        b"settings": ("analyse recording.csv --settings INPUT", "report recording.csv --settings INPUT -o r.html"),
        b"points": ("calibrate --settings empty.toml -c front_left.pressure --reference gauge --points INPUT -n",),
        b"findings": ("compare INPUT found.json", "compare found.json INPUT --json"),
        b"job": ("suspects INPUT.toml", "suspects INPUT.toml --json"),
    }  # fmt: skip
    work = folder / "work"
    work.mkdir()

    def take(data: bytes) -> str | None:
        kind, _, data = data.partition(b"\n")
        spent(work)
        for name, content in (
            ("recording.csv", seeds.RECORDINGS[0]), ("standing.csv", seeds.RECORDINGS[3]), ("found.json",
            seeds.FINDINGS[0]),
            ("s.toml", seeds.JOB_SETTINGS), ("empty.toml", b""), ("input", data), ("input.toml", data),
        ):  # fmt: skip
            (work / name).write_bytes(content)
        choices = calls.get(kind, calls[b"recording"])
        words = choices[len(data) % len(choices)].split()
        words = [
            str(work / {"INPUT": "input", "INPUT.toml": "input.toml"}.get(word, word))
            if re.search(r"INPUT|\.\w+$", word) and "front" not in word
            else word
            for word in words
        ]
        said = run_command(words, folder)
        if said is not None and len(said) > 1000 + len(str(work)):
            raise FaultError(f"a refusal of {len(said)} letters: {said[:100]}…")
        return None if said is None else said[:900]

    return take


def _marked(kind: bytes, examples: tuple[bytes, ...]) -> tuple[bytes, ...]:
    return tuple(kind + b"\n" + one for one in examples)


_COMMAND_SEEDS = (
    *_marked(b"recording", seeds.RECORDINGS), *_marked(b"tape", seeds.TAPES), *_marked(b"settings", seeds.SETTINGS),
    *_marked(b"points", seeds.POINTS),
    *_marked(b"findings", seeds.FINDINGS), *_marked(b"job", seeds.JOBS),
)  # fmt: skip

DOORS = (
    Door("serial", Mutator(seeds.LINES, (b"D,7,", b"I,1,", b"E,", b"*0000"), with_checks), _serial, 600),
    Door("mqtt", Mutator(seeds.ACKNOWLEDGEMENTS, (b'"alarm"', b'"by"')), _acknowledgement, 600),
    Door("http", Mutator(seeds.REQUESTS, seeds.WORDS), of_requests, 100),
    Door("units", Mutator(seeds.TYPED, seeds.WORDS), _units, 150),
    Door("settings", Mutator(seeds.SETTINGS, seeds.WORDS), _settings, 100, 0.5),
    Door("scenario", Mutator((*seeds.SCENARIOS, *seeds.WEATHERS), seeds.WORDS), _scenario, 100, 0.5),
    Door("recording", Mutator(seeds.RECORDINGS, seeds.WORDS), _recording, 400),
    Door("judged", Mutator(seeds.RECORDINGS, seeds.WORDS), _judged, 60, 0.05),
    Door("tape", Mutator(seeds.TAPES, seeds.WORDS), _tape, 300),
    Door("points", Mutator(seeds.POINTS, seeds.WORDS), _points, 100),
    Door("findings", Mutator(seeds.FINDINGS, seeds.WORDS), _findings, 200),
    Door("job", Mutator(seeds.JOBS, seeds.WORDS), _job, 100),
    Door("books", Mutator(BOOK_SEEDS), of_books, 15, 0.1),
    Door("small-files", Mutator(SMALL_SEEDS), of_small_files, 300),
    Door("commands", Mutator(_COMMAND_SEEDS, seeds.WORDS), _commands, 15, 0.05),
)
