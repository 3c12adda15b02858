"""One client at a broker, kept: connect, say that we are there, work, and try again when it breaks, ever less often.

Each session has a client of its own: one that is entered again would publish once more what it holds
(at least once is promised, but not for nothing). The last will says `offline` if we vanish; a session that ends in
order says it itself, for then the broker doesn't.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import aiomqtt

from logger.errors import PlainError, cause_words
from logger.notice import LEVELS, Notice
from logger.outage import Outage, raise_if_cancelled

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Awaitable, Callable, Sequence

    from logger.delivery_settings import MqttSettings

_log = logging.getLogger(__name__)
_client_log = logging.getLogger(f"{__name__}.client")
_client_log.setLevel(logging.CRITICAL)  # what the library has to say, we say in our own words, once
_ANSWER_s: Final = 2.0
_MOST_TOLD: Final = 20
_CALL_AGAIN_s: Final = 0.2
ONLINE, OFFLINE = "online", "offline"
_REFUSED_PASSWORD: Final = frozenset({4, 5, 134, 135})  # MQTT 3.1.1, 3.2.2.3, and MQTT 5, 3.2.2.2


@dataclass(frozen=True, slots=True)
class MqttPace:
    """The times of a client, in seconds."""

    first_wait_s: float = 1.0
    longest_wait_s: float = 60.0
    good_session_s: float = 30.0
    """After a session of this length the waits begin anew."""
    timeout_s: float = 10.0
    keepalive_s: int = 12
    again_s: float = 5.0
    """After so long, work that failed by itself is begun again."""
    righting_s: float = 0.5
    """What somebody else writes over our words is put right so often at most."""


def rig_topic(mqtt: MqttSettings, rig: str) -> str:
    """The topic under which all of a rig's topics are.

    >>> from logger.delivery_settings import MqttSettings
    >>> rig_topic(MqttSettings(), "bay 2")
    'cornerhold/bay_2'
    """
    return f"{mqtt.root}/{rig.replace(' ', '_')}"


def tls_context(mqtt: MqttSettings) -> ssl.SSLContext | None:
    """The TLS that the settings ask for; raises PlainError for a file of certificates that can't be used."""
    if not mqtt.tls:
        return None
    try:
        return ssl.create_default_context(cafile=None if mqtt.ca is None else str(mqtt.ca))
    except OSError as error:
        reason = (
            "holds no certificate (PEM)" if isinstance(error, ssl.SSLError) else error.strerror or str(error)
        )
        raise PlainError(f"mqtt.ca: {mqtt.ca}: {reason}") from None


def new_client(
    mqtt: MqttSettings, name: str, pace: MqttPace, will: aiomqtt.Will | None = None
) -> aiomqtt.Client:
    """A client that is good for one session."""
    return aiomqtt.Client(
        mqtt.host,
        mqtt.port,
        identifier=name,
        username=mqtt.user,
        password=mqtt.secret(),
        tls_context=tls_context(mqtt),
        timeout=pace.timeout_s,
        keepalive=pace.keepalive_s,
        will=will,
        logger=_client_log,
        # a reader that doesn't keep up must not cost memory without end
        max_queued_incoming_messages=1000,
    )


def failure_words(error: BaseException, mqtt: MqttSettings) -> str:
    """What is wrong with the broker, in a line that says where to look."""
    cause = error.__context__ or error.__cause__ or error
    text = str(cause) or str(error)
    if isinstance(error, aiomqtt.exceptions.MqttConnectError):
        code = getattr(error.rc, "value", error.rc)
        # not by name: some write the password there
        words = "refuses us: user or password is wrong (mqtt.user, mqtt.password)"
        if mqtt.user is None:
            words = "refuses whoever comes without user and password (mqtt.user)"
        if code not in _REFUSED_PASSWORD:
            words = f"refuses the connection: {error}"
    elif isinstance(cause, ssl.SSLCertVerificationError):
        words = f"its certificate is not accepted (mqtt.ca): {cause.verify_message}"
    elif isinstance(cause, ssl.SSLError):
        words = f"doesn't speak TLS as it should (mqtt.tls, mqtt.port): {cause.reason or text}"
    elif mqtt.tls and isinstance(cause, ConnectionResetError):
        words = "broke off (a port without TLS? then mqtt.port is wrong)"
    elif isinstance(cause, socket.gaierror | UnicodeError):
        words = "there is no such host"
    elif isinstance(cause, ConnectionRefusedError):
        words = "nothing listens there"
    elif "timed out" in text or isinstance(cause, TimeoutError):
        words = f"no answer{'' if mqtt.tls else ' (a port for TLS? then set mqtt.tls)'}"
    else:
        words = "connection lost" if isinstance(error, aiomqtt.MqttError) else text
    return f"{mqtt.address}: {words}"


@dataclass(frozen=True)
class Post:
    """A client's name, where it says that it is there, and what it listens to."""

    name: str
    presence: str
    subscriptions: tuple[str, ...] = ()
    quiet: bool = False
    """Another client of the same process tells how it stands with the broker."""
    hear: Callable[[aiomqtt.Message], None] = lambda _message: None


def _told_quietly(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """Keep a race of the client library out of the log, and pass on everything else.

    The library asks the loop to watch a socket by its number, one turn later. If the broker dies just then the number
    stands for nothing any more; the session is over anyhow, and is begun again.
    """
    watching = "add_writer" in context["message"] or "add_reader" in context["message"]
    if watching and isinstance(context.get("exception"), OSError | ValueError):
        _log.debug("the connection was lost before it was watched: %s", context["exception"])
    else:
        loop.default_exception_handler(context)


async def keep_session(
    mqtt: MqttSettings,
    post: Post,
    work: Callable[[aiomqtt.Client], Awaitable[None]],
    pace: MqttPace | None = None,
) -> None:
    """Keep a session at the broker until cancelled; `work` runs while there is one, and may not return.

    Whatever goes wrong is told and tried again: at the broker in another session, in `work` (a full disk) in the same
    one, for then we are still there.
    """
    pace = pace or MqttPace()
    outage = Outage(mqtt.address, pace)
    loop = asyncio.get_running_loop()
    if loop.get_exception_handler() is None:
        loop.set_exception_handler(_told_quietly)
    tls_context(mqtt)  # a file that can't be used is a mistake to be told at once, not an outage
    guard = Guard(post, pace)
    while True:
        try:
            await _session(
                mqtt, post, partial(guard.keep, work), guard, pace,
                lambda: _tell(outage.connected(loop.time()), quiet=post.quiet),
            )  # fmt: skip
            reason = "the session ended"
        except (aiomqtt.MqttError, OSError, UnicodeError) as error:
            reason = failure_words(error, mqtt)
        except Exception as error:  # noqa: BLE001  whatever a broker answers must not end a service
            _log.debug("where it happened", exc_info=True)
            reason = cause_words(error)
        raise_if_cancelled()
        wait_s, notice = outage.failed(loop.time(), reason)
        _tell(notice, quiet=post.quiet)
        await asyncio.sleep(wait_s)


class Guard:
    """Sees to it that neither a message nor our own work ends a session."""

    def __init__(self, post: Post, pace: MqttPace) -> None:
        """Nothing has gone wrong yet."""
        self._post, self._pace = post, pace
        self._told: set[str] = set()

    async def keep(self, work: Callable[[aiomqtt.Client], Awaitable[None]], client: aiomqtt.Client) -> None:
        """Do the work; what stops it and is no fault of the broker's is told, and the work begun again."""
        loop = asyncio.get_running_loop()
        while True:
            begun_s = loop.time()
            try:
                await work(client)
                reason = "the work ended"
            except aiomqtt.MqttError:
                raise
            except Exception as error:  # noqa: BLE001  whatever it is, we are still there
                _log.debug("where it happened", exc_info=True)
                reason = cause_words(error)
            raise_if_cancelled()
            if loop.time() - begun_s >= self._pace.good_session_s:
                self._told.clear()
            self._tell(f"{self._post.name} publishes nothing for now: {reason}")
            await asyncio.sleep(self._pace.again_s)

    def hear(self, message: aiomqtt.Message) -> None:
        """Take a message. One that breaks whoever takes it is dropped."""
        try:
            self._post.hear(message)
        except Exception as error:  # noqa: BLE001  anybody may have sent it
            _log.debug("where it happened", exc_info=True)
            self._tell(f"a message at {str(message.topic)[:80]!r} was dropped: {cause_words(error)}")

    def _tell(self, words: str) -> None:
        # by a stranger's topic or a file's, it must not grow
        level = logging.WARNING if words not in self._told and len(self._told) < _MOST_TOLD else logging.DEBUG
        if level == logging.WARNING:
            self._told.add(words)
        _log.log(level, "%s", words)


async def _session(
    mqtt: MqttSettings,
    post: Post,
    work: Callable[[aiomqtt.Client], Awaitable[None]],
    guard: Guard,
    pace: MqttPace,
    on_connected: Callable[[], None],
) -> None:
    will = aiomqtt.Will(post.presence, OFFLINE, qos=1, retain=True)
    async with _entered(new_client(mqtt, post.name, pace, will)) as client:
        for topic in (post.presence, *post.subscriptions):
            await client.subscribe(topic, qos=1)
        presence = _Presence(client, mqtt, post, pace)
        await client.publish(post.presence, ONLINE, qos=1, retain=True)
        on_connected()
        tasks = [
            asyncio.ensure_future(_listen(client, post, guard, presence)),
            asyncio.ensure_future(presence.keep()),
            asyncio.ensure_future(work(client)),
        ]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        except aiomqtt.MqttError:
            raise  # the connection is gone: the last will speaks for us
        except BaseException:
            # nobody may put our last word right
            await _ended(tasks)
            with contextlib.suppress(aiomqtt.MqttError):
                await client.publish(post.presence, OFFLINE, qos=1, retain=True, timeout=2.0)
            raise
        finally:
            await _ended(tasks)


async def _ended(tasks: Sequence[asyncio.Future[None]]) -> None:
    """End them all. A call to end that meets the end of a wait is swallowed there (asyncio.wait_for): it is repeated."""
    pending = set(tasks)
    while pending:
        for task in pending:
            task.cancel()
        _, pending = await asyncio.wait(pending, timeout=_CALL_AGAIN_s)
    await asyncio.gather(*tasks, return_exceptions=True)


@contextlib.asynccontextmanager
async def _entered(client: aiomqtt.Client) -> AsyncIterator[aiomqtt.Client]:
    """A client that is connected. One that is told to end half-way comes to its answer first, or makes a mess."""
    async with contextlib.AsyncExitStack() as stack:
        entering = asyncio.ensure_future(stack.enter_async_context(client))
        try:
            await asyncio.shield(entering)
        except asyncio.CancelledError:
            await asyncio.wait((entering,), timeout=_ANSWER_s)
            entering.cancel()
            await asyncio.gather(entering, return_exceptions=True)
            raise
        yield client


async def _listen(client: aiomqtt.Client, post: Post, guard: Guard, presence: _Presence) -> None:
    """Take what comes in; and notice at once when the connection is gone, which an idle publisher would not."""
    async for message in client.messages:
        if str(message.topic) == post.presence:
            presence.hear(message.payload)
        else:
            guard.hear(message)


class _Presence:
    """Our own word that we are there, as the broker has it."""

    def __init__(self, client: aiomqtt.Client, mqtt: MqttSettings, post: Post, pace: MqttPace) -> None:
        self._client, self._mqtt, self._post, self._pace = client, mqtt, post, pace
        self._echo = asyncio.Event()
        self._wrong = asyncio.Event()

    def hear(self, payload: object) -> None:
        """Take what stands there: our own word, or somebody else's."""
        if payload == ONLINE.encode():
            self._echo.set()
            self._wrong.clear()
        elif self._echo.is_set():
            self._wrong.set()

    async def keep(self) -> None:
        """Wait for our own word, then put right whatever else is said there, not more often than `righting_s`."""
        try:
            async with asyncio.timeout(self._pace.timeout_s):
                await self._echo.wait()
        except TimeoutError:
            # what a broker's rules refuse, it takes with a yes and throws away
            _log.warning(
                "%s: what we publish at %s doesn't come back: no right to that topic? "
                "(cornerhold check-delivery says more)",
                self._mqtt.address,
                self._post.presence,
            )
        while True:
            await self._wrong.wait()
            self._wrong.clear()
            await self._client.publish(self._post.presence, ONLINE, qos=1, retain=True)
            await asyncio.sleep(self._pace.righting_s)


def _tell(notice: Notice, *, quiet: bool) -> None:
    _log.log(logging.DEBUG if quiet else LEVELS[notice.tone], "%s", notice.text)
