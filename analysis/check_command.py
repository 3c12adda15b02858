"""`cornerhold check-delivery`: does word get through? Published and read back, and a test letter to every address."""

from __future__ import annotations

import asyncio
import json
import logging
import secrets
from dataclasses import asdict, dataclass
from pathlib import Path  # noqa: TC003  typer reads the annotations when the program runs
from typing import TYPE_CHECKING, Annotated, Final

import typer

from logger.errors import PlainError

if TYPE_CHECKING:
    import aiomqtt

    from logger.delivery_settings import InfluxSettings, MqttSettings, NotifySettings

PATIENCE_s = 5.0
TOPICS: Final = ("alarms/check/test", "sections/check", "presence/check", "readings/check")
"""Below the rig's topic: one of each kind that the services write to. Cleared afterwards."""


@dataclass(frozen=True)
class Result:
    """One thing that was tried."""

    what: str
    works: bool
    sentence: str


def check_delivery(
    settings_file: Annotated[
        Path, typer.Option("--settings", "-s", help="Settings file (TOML) with [mqtt], [influx], [notify].")
    ],
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object per thing tried.")] = False,
) -> None:
    """Try whether word gets through: publish a test alarm and read it back, send a test letter to every address.

    InfluxDB gets a test point (measurement `cornerhold_check`, which stays there), which is read back.

    A broker takes a message to a topic to which the user has no right, and throws it away without a word; only reading
    it back tells. Exit 0 if everything got through, else 1.

    Example: cornerhold check-delivery --settings bay-2.toml
    """
    from logger.settings import load_settings  # noqa: PLC0415  what --help does not need

    settings = load_settings(settings_file)
    if settings.mqtt is None and settings.notify is None and settings.influx is None:
        raise PlainError(f"{settings_file}: has neither [mqtt], [influx] nor [notify]: nobody would get word")
    logging.basicConfig(level=logging.CRITICAL)
    results = asyncio.run(try_delivery(settings.mqtt, settings.notify, settings.rig.name))
    if settings.influx is not None:
        results += check_influx(settings.influx, settings.rig.name)
    for result in results:
        if as_json:
            typer.echo(json.dumps(asdict(result), ensure_ascii=False))
        else:
            typer.echo(f"{'ok  ' if result.works else 'FAIL'}  {result.what}: {result.sentence}")
    raise typer.Exit(0 if all(result.works for result in results) else 1)


async def try_delivery(mqtt: MqttSettings | None, notify: NotifySettings | None, rig: str) -> list[Result]:
    """Try broker and addresses, as far as there are any."""
    results: list[Result] = []
    if mqtt is not None:
        results += await check_broker(mqtt, rig)
    if notify is not None:
        results += await check_addresses(notify, rig)
    return results


async def check_broker(mqtt: MqttSettings, rig: str) -> list[Result]:
    """Publish to each kind of topic and read back."""
    import aiomqtt  # noqa: PLC0415

    from logger.mqtt import MqttPace, failure_words, new_client, rig_topic  # noqa: PLC0415

    topic = rig_topic(mqtt, rig)
    token = secrets.token_hex(8)
    pace = MqttPace()
    try:
        async with new_client(mqtt, f"cornerhold-check-{token}", pace) as client:
            results = [Result("broker", True, f"{mqtt.address} takes us{' by TLS' if mqtt.tls else ''}")]
            for below in TOPICS:
                results.append(await _read_back(client, f"{topic}/{below}", token, rig))  # noqa: PERF401
    except (aiomqtt.MqttError, OSError) as error:
        return [Result("broker", False, failure_words(error, mqtt))]
    return results


async def _read_back(client: aiomqtt.Client, topic: str, token: str, rig: str) -> Result:
    said = {
        "cornerhold": "check/1",
        "rig": rig,
        "token": token,
        "sentence": f"A test by {rig}: nothing is wrong.",
    }
    loop = asyncio.get_running_loop()
    await client.subscribe(topic, qos=1)
    begun_s = loop.time()
    await client.publish(topic, json.dumps(said, ensure_ascii=False), qos=1, retain=True)
    try:
        await asyncio.wait_for(_hear(client, topic, token), PATIENCE_s)
    except TimeoutError:
        reason = (
            "taken by the broker and never delivered: its rules (ACL) give us no right to write or read there"
        )
        return Result(topic, False, reason)
    finally:
        await client.publish(topic, None, qos=1, retain=True)
    return Result(topic, True, f"published and read back in {1000 * (loop.time() - begun_s):.0f} ms")


async def _hear(client: aiomqtt.Client, topic: str, token: str) -> None:
    async for message in client.messages:
        if (
            str(message.topic) == topic
            and isinstance(message.payload, bytes)
            and token.encode() in message.payload
        ):
            return


async def check_addresses(notify: NotifySettings, rig: str) -> list[Result]:
    """Send a test letter to every address."""
    from analysis.notify import Addresses  # noqa: PLC0415

    try:
        addresses = Addresses(notify.addresses())
    except PlainError as error:
        return [Result("notify", False, str(error))]
    results = []
    for number in range(len(addresses)):
        taken = await addresses.send(
            number, f"{rig}: a test", "A test letter of the watch: nothing is wrong."
        )
        sentence = "took the test letter; see that it has come" if taken else "did not take the test letter"
        results.append(Result(addresses.name(number), taken, sentence))
    return results


def check_influx(influx: InfluxSettings, rig: str) -> list[Result]:
    """Write a test point and read it back."""
    from logger.clock import now_us  # noqa: PLC0415
    from logger.influx_lines import CHECK, check_line  # noqa: PLC0415
    from logger.influx_server import AwayError, InfluxServer, RefusedError  # noqa: PLC0415

    what = f"InfluxDB, bucket {influx.bucket}"
    utc_us = now_us()
    server = InfluxServer(influx)
    try:
        server.write([check_line(rig, utc_us)])
    except AwayError as error:
        server.close()
        return [Result(what, False, f"{influx.url}: {error.reason}")]
    except RefusedError as error:
        server.close()
        return [Result(what, False, f"{influx.url}: refuses a test point: {error.words}")]
    written = Result(what, True, f"{influx.url} has taken the test point")
    try:
        said = server.query(f'SELECT microseconds FROM "{CHECK}" WHERE time = {utc_us}000')  # noqa: S608  our own words
        found = str(utc_us) in json.dumps(said)
    except (AwayError, RefusedError) as error:
        words = f"not tried to the end, {error} (a token that may only write, or no InfluxQL there, is enough for us)"
        return [written, Result(f"{what}, read back", True, words)]
    finally:
        server.close()
    sentence = "the test point is there" if found else "the test point is NOT there, though it was taken"
    return [written, Result(f"{what}, read back", found, sentence)]
