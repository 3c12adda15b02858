"""A real broker on a random port of the loopback: password file, ACL, TLS with an authority of its own."""

from __future__ import annotations

import contextlib
import json
import socket
import subprocess
import threading
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Self

from logger_process import wait_for
from parts import need

if TYPE_CHECKING:
    from pathlib import Path

USERS = {"cornerhold": "night watch", "foreman": "on the phone", "guest": "may see only"}
# the rig's services may write below the root, the foreman reads everything and acknowledges, a guest reads little
ACL = """
user cornerhold
topic readwrite shop/#
user foreman
topic read shop/#
topic write shop/+/acknowledge/#
user guest
topic read shop/+/presence/#
"""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def run(*words: str) -> None:
    subprocess.run(words, check=True, capture_output=True, timeout=120)


def make_certificates(folder: Path, name: str = "ca") -> None:
    """An authority, and a broker's certificate signed by it."""
    authority = ("-keyout", f"{folder}/{name}.key", "-out", f"{folder}/{name}.pem")
    new = (
        need("openssl"),
        "req",
        "-newkey",
        "ec",
        "-pkeyopt",
        "ec_paramgen_curve:prime256v1",
        "-nodes",
        "-days",
        "30",
    )
    run(*new, "-x509", "-subj", f"/CN=shop {name}", *authority)
    run(*new, "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1",
        "-x509", "-CA", f"{folder}/{name}.pem", "-CAkey", f"{folder}/{name}.key",
        "-keyout", f"{folder}/{name}-broker.key", "-out", f"{folder}/{name}-broker.pem")  # fmt: skip


@dataclass
class Broker:
    folder: Path
    tls: bool = False
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def __post_init__(self) -> None:
        self.program = need("mosquitto")
        self.folder.mkdir(exist_ok=True)
        passwords = self.folder / "passwords"
        passwords.touch(mode=0o600)
        for user, password in USERS.items():
            run(need("mosquitto_passwd"), "-b", str(passwords), user, password)
        (self.folder / "acl").write_text(ACL)
        lines = [
            f"listener {self.port} 127.0.0.1",
            "allow_anonymous false",
            f"password_file {passwords}",
            f"acl_file {self.folder}/acl",
            "persistence true",
            f"persistence_location {self.folder}/",
            "autosave_interval 1",
            "autosave_on_changes true",
            "user root",
        ]
        if self.tls:
            make_certificates(self.folder)
            lines += [f"certfile {self.folder}/ca-broker.pem", f"keyfile {self.folder}/ca-broker.key"]
        (self.folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")

    def start(self) -> Self:
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [self.program, "-v", "-c", str(self.folder / "mosquitto.conf")],
                stdout=log,
                stderr=log,
            )
        end_s = time.monotonic() + 20.0
        while time.monotonic() < end_s:
            assert self.process.poll() is None, (self.folder / "log").read_text()
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return self
            time.sleep(0.01)
        raise AssertionError("the broker did not start")

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def settings(self, **changes: object) -> str:
        """The table `[mqtt]` of a settings file."""
        keys: dict[str, object] = {
            "host": "localhost" if self.tls else "127.0.0.1",
            "port": self.port,
            "root": "shop",
            "user": "cornerhold",
            "password": USERS["cornerhold"],
        }
        if self.tls:
            keys["ca"] = f"{self.folder}/ca.pem"
        keys.update(changes)
        lines = [f"{key} = {json.dumps(value)}" for key, value in keys.items() if value is not None]
        return "\n".join(["[mqtt]", *lines, ""])

    def publish(self, topic: str, payload: str, user: str = "foreman", *more: str) -> None:
        """As somebody else does it."""
        message = ["-m", payload] if payload else ["-n"]
        run(*self.words("mosquitto_pub", user), "-t", topic, *message, *more)

    def retained(self, topic: str, user: str = "foreman") -> dict[str, str]:
        """What the broker keeps."""
        words = [
            *self.words("mosquitto_sub", user),
            "-t",
            topic,
            "-F",
            "%t\t%p",
            "-W",
            "1",
            "--retained-only",
        ]
        said = ""
        for _ in range(5):
            # on a busy machine its own alarm may come before it is connected, and then it waits for ever
            with contextlib.suppress(subprocess.TimeoutExpired):
                found = subprocess.run(words, capture_output=True, timeout=20, check=False).stdout
                said = found.decode("utf-8", "replace")
                break
        return dict(line.split("\t", 1) for line in said.split("\n") if "\t" in line)

    def words(self, program: str, user: str = "foreman") -> list[str]:
        """How somebody else's program is started at this broker."""
        tls = ["--cafile", f"{self.folder}/ca.pem"] if self.tls else []
        host = "localhost" if self.tls else "127.0.0.1"
        program = need(program)
        return [program, "-h", host, "-p", str(self.port), "-u", user, "-P", USERS[user], "-q", "1", *tls]


@dataclass
class Subscriber:
    """mosquitto_sub, a subscriber that is not ours: what it hears, as (topic, retained, payload, when it was read)."""

    broker: Broker
    topics: tuple[str, ...] = ("shop/#",)
    user: str = "foreman"
    session: str = ""
    """A name under which the broker keeps what comes while the subscriber or the broker itself is away."""
    heard: list[tuple[str, bool, str, float]] = field(default_factory=list)

    def __enter__(self) -> Self:
        words = self.broker.words("mosquitto_sub", self.user)
        for topic in (*self.topics, "shop/r/acknowledge/probe"):
            words += ["-t", topic]
        if self.session:
            words += ["-c", "-i", self.session]
        self.process = subprocess.Popen(
            [*words, "-F", "%t\t%r\t%p"], stdout=subprocess.PIPE, text=True, bufsize=1
        )
        self._thread = threading.Thread(target=self._read, name="subscriber", daemon=True)
        self._thread.start()
        # it hears from the moment on in which it hears us
        wait_for(self._hears, "the subscriber")
        self.heard.clear()
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        self._thread.join()
        if self.process.stdout is not None:
            self.process.stdout.close()

    def _hears(self) -> bool:
        self.broker.publish("shop/r/acknowledge/probe", "probe")
        return any(topic.endswith("/probe") for topic, *_ in list(self.heard))

    def _read(self) -> None:
        if self.process.stdout is None:
            return
        for line in self.process.stdout:
            topic, retained, payload = line.rstrip("\n").split("\t", 2)
            self.heard.append((topic, retained == "1", payload, time.monotonic()))

    def of(self, ending: str) -> list[str]:
        """The payloads of the topics that end so, in order."""
        return [payload for topic, _, payload, _ in list(self.heard) if topic.endswith(ending)]
