"""What docker-compose.yml says, as far as it runs without an engine: its configurations in the real programs, its users
and its health checks with the real services, made by the commands of the README."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import re
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import threading
import urllib.parse
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import paho.mqtt.client as mqtt
import pytest
import yaml
from broker import free_port
from hand_rig import SEVEN_BAR, TWO_BAR, HandRig
from logger_process import wait_for
from parts import need
from pty_rig import PtyRig

from analysis.page_guard import new_token
from logger.settings import settings_from_text

if TYPE_CHECKING:
    from collections.abc import Iterator

TREE = Path(__file__).parents[2]
COMPOSE: dict[str, Any] = yaml.safe_load((TREE / "docker-compose.yml").read_text())
COMMAND = [sys.executable, "-c", "from analysis.commands import main; main()"]
SERVER = "server.shop.example"
OURS = ("logger", "analysis", "page")


@dataclass
class Shop:
    """A folder with what the README's commands make, and programs with what the compose file says."""

    folder: Path
    port: int = field(default_factory=free_port)
    started: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @property
    def secrets(self) -> Path:
        return self.folder / "secrets"

    def outside(self, text: str) -> str:
        """What stands in the compose file, with this machine's places instead of a container's."""
        places = {
            "$$": "$",
            "/run/secrets/": f"{self.secrets}/",
            "/run/cornerhold/": f"{self.folder}/",
            "/mosquitto/config/acl": f"{self.folder}/mosquitto.acl",
            "/mosquitto/data/": f"{self.folder}/",
            "/rigs/": f"{self.folder}/rigs/",
        }
        for inside, here in places.items():
            text = text.replace(inside, here)
        return text

    def config(self, name: str, *changes: tuple[str, str]) -> Path:
        """A configuration of the compose file as a file; each change must find its place."""
        text = COMPOSE["configs"][name]["content"]
        for before, after in changes:
            assert before in text
            text = text.replace(before, after)
        file = self.folder / name
        file.write_text(self.outside(text))
        return file

    def environment(self, service: str) -> dict[str, str]:
        said = COMPOSE["services"][service]["environment"]
        own = {name: self.outside(value) for name, value in said.items()}
        own["CORNERHOLD_PULSE"] = str(self.folder / f"{service}.pulse")
        return {**os.environ, **own}

    def start(self, *words: str, service: str | None = None) -> subprocess.Popen[bytes]:
        environment = None if service is None else self.environment(service)
        with (self.folder / f"{service or words[0].rpartition('/')[2]}.log").open("ab") as log:
            process = subprocess.Popen(words, stdout=log, stderr=log, env=environment, cwd=self.folder)
        self.started.append(process)
        return process

    def begin_service(self, service: str, changes: dict[str, str] | None = None) -> subprocess.Popen[bytes]:
        """As the compose file begins it, but for some words."""
        changes = {"/rigs": f"{self.folder}/rigs", **(changes or {})}
        words = [changes.get(word, self.outside(word)) for word in COMPOSE["services"][service]["command"]]
        return self.start(*COMMAND, *words, service=service)

    def health(self, service: str, *changes: tuple[str, str]) -> int:
        """Run a service's health check; return its exit code."""
        kind, *words = COMPOSE["services"][service]["healthcheck"]["test"]
        words = [self.outside(word) for word in words]
        for before, after in changes:
            words = [word.replace(before, after) for word in words]
        if kind == "CMD-SHELL":
            words = ["sh", "-c", *words]
        if words[0] == "cornerhold":
            words = [*COMMAND, *words[1:]]
        environment = self.environment(service) if service in OURS else None
        done = subprocess.run(
            words, env=environment, cwd=self.folder, capture_output=True, timeout=60, check=False
        )
        return done.returncode

    def begin_broker(self) -> subprocess.Popen[bytes]:
        self.config("mosquitto.acl")
        # as root in the tests' container it would become another user, who can't see this folder
        file = self.config("mosquitto.conf", ("listener 8883", f"user root\nlistener {self.port} 127.0.0.1"))
        process = self.start(need("mosquitto"), "-c", str(file))
        self.log = self.folder / "mosquitto.log"
        wait_for(lambda: process.poll() is not None or self.listens(self.port), "the broker")
        assert process.poll() is None, self.log.read_text()
        return process

    @staticmethod
    def listens(port: int) -> bool:
        with socket.socket() as probe:
            return bool(probe.connect_ex(("127.0.0.1", port)) == 0)

    def end(self) -> None:
        for process in self.started:
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
        for process in self.started:
            process.wait(20)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the README's commands make, once."""
    need("openssl")
    need("mosquitto_passwd")
    folder = tmp_path_factory.mktemp("made")
    (block,) = re.findall(r"^```shop\n(.*?)^```$", (TREE / "README.md").read_text(), re.MULTILINE | re.DOTALL)
    subprocess.run(
        ["bash", "-euo", "pipefail", "-c", block], cwd=folder, check=True, capture_output=True, timeout=60
    )
    return folder


@pytest.fixture
def shop(made: Path, tmp_path: Path) -> Iterator[Shop]:
    folder = tmp_path / "shop"
    shutil.copytree(made, folder)
    running = Shop(folder)
    yield running
    running.end()


class Client:
    """Somebody at the broker who is not us: what he hears, by topic."""

    def __init__(self, shop: Shop, user: str, *topics: str, password: str | None = None) -> None:
        self.heard: dict[str, bytes] = {}
        self.there = threading.Event()
        self.refused = threading.Event()
        self._topics = topics
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        self._client.username_pw_set(user, password or (shop.secrets / f"mqtt-{user}").read_text().strip())
        self._client.tls_set(str(shop.secrets / "ca.pem"))
        self._client.on_connect = self._connected
        self._client.on_subscribe = lambda *_: self.there.set()
        self._client.on_message = lambda _client, _data, message: self.heard.update(
            {message.topic: message.payload}
        )
        self._client.connect("localhost", shop.port)

    def _connected(
        self, _client: object, _data: object, _flags: object, reason: Any, _properties: object
    ) -> None:
        if reason.is_failure:
            self.refused.set()
        elif self._topics:
            self._client.subscribe([(topic, 1) for topic in self._topics])
        else:
            self.there.set()

    def __enter__(self) -> Self:
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()
        # its thread may have ended before it has closed the line
        left = self._client.socket()
        if left is not None:
            left.close()

    def say(self, topic: str, payload: str) -> None:
        """Publish, and wait until the broker has taken it, which it does also with what it throws away."""
        self._client.publish(topic, payload, qos=1, retain=True).wait_for_publish(10)


def test_the_files_that_the_commands_make_are_as_private_as_the_page_says(made: Path) -> None:
    assert (made / "secrets").stat().st_mode & 0o777 == 0o700
    modes = {file.name: file.stat().st_mode & 0o777 for file in (made / "secrets").iterdir()}
    assert modes.pop("ca.key") == 0o400
    assert set(modes.values()) == {0o444}
    named = {Path(secret["file"]).name for secret in COMPOSE["secrets"].values()}
    # the foreman's is for people
    assert named | {"mqtt-foreman"} == set(modes)
    hashed = (made / "secrets/broker-passwords").read_text()
    assert (made / "secrets/mqtt-logger").read_text().strip() not in hashed


def test_no_service_is_root_or_may_write_where_it_need_not(made: Path) -> None:
    for name, service in COMPOSE["services"].items():
        assert service["user"].partition(":")[0] not in {"", "0", "root"}, name
        assert service["read_only"], name
        assert service["cap_drop"] == ["ALL"], name
        assert service["restart"] == "unless-stopped", name
        assert service["healthcheck"]["test"], name
        tag = service["image"].partition(":")[2]
        assert tag == "local" or re.fullmatch(r"\d+\.\d+\.\d+(-\w+)?", tag), name
    assert {name for name, s in COMPOSE["services"].items() if "ports" in s} == {"mosquitto", "front"}
    text = (TREE / "docker-compose.yml").read_text()
    for file in (made / "secrets").iterdir():
        secret = file.read_text().strip()
        assert not secret or secret not in text


def test_the_settings_for_containers_are_accepted() -> None:
    page = (TREE / "README.md").read_text()
    (example,) = re.findall(r"^```shop-settings\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    settings = settings_from_text(example)
    assert settings.mqtt is not None
    assert settings.influx is not None
    # what they name is there in a container: a secret that is handed to every service that reads it
    files = {Path(str(settings.mqtt.ca)).name, Path(str(settings.influx.token_file)).name}
    for service in ("logger", "analysis"):
        assert files <= set(COMPOSE["services"][service]["secrets"])
    assert settings.mqtt.host in COMPOSE["services"]
    assert settings.influx.url == "http://influxdb:8086"
    assert settings.page is not None
    assert settings.page.names == (SERVER,)


# topic, and who may write there: each service what is its own
RIGHTS = {
    "cornerhold/bay-1/readings": {"logger"},
    "cornerhold/bay-1/presence/logger": {"logger"},
    "cornerhold/bay-1/presence/analysis": {"analysis"},
    "cornerhold/bay-1/sections/front_left": {"analysis"},
    "cornerhold/bay-1/alarms/front_left/leak": {"analysis"},
    "cornerhold/bay-1/soak": {"analysis"},
    "cornerhold/bay-1/acknowledge/front_left/leak": {"foreman"},
    "cornerhold/bay-1/readings/check": {"analysis"},
    "elsewhere": set(),
}
MAY_READ = {
    "logger": {"cornerhold/bay-1/presence/logger"},
    "analysis": {
        "cornerhold/bay-1/presence/analysis",
        "cornerhold/bay-1/sections/front_left",
        "cornerhold/bay-1/alarms/front_left/leak",
        "cornerhold/bay-1/soak",
        "cornerhold/bay-1/acknowledge/front_left/leak",
        "cornerhold/bay-1/readings/check",
    },
    "foreman": set(RIGHTS) - {"elsewhere"},
    "health": set(),
}


def test_each_user_may_do_what_is_his_and_nothing_else(shop: Shop) -> None:
    shop.begin_broker()
    users = ("logger", "analysis", "foreman", "health")
    with Client(shop, "foreman", "#") as sees:
        assert sees.there.wait(10)
        for user in users:
            with Client(shop, user) as one:
                assert one.there.wait(10)
                for topic in RIGHTS:
                    one.say(topic, user)
        wait_for(lambda: len(sees.heard) == len(RIGHTS) - 1, "all that was let through")
    # read back: what the broker keeps is what the one with the right has said, the last of them
    heard = {topic: payload.decode() for topic, payload in sees.heard.items()}
    assert {topic: {user} for topic, user in heard.items()} == {
        topic: who for topic, who in RIGHTS.items() if who
    }
    for user in users:
        with Client(shop, user, "#", "$SYS/broker/uptime", "cornerhold/bay-1/acknowledge/#") as one:
            assert one.there.wait(10)
            uptime = {"$SYS/broker/uptime"} if user == "health" else set()
            wait_for(lambda: set(one.heard) >= MAY_READ[user] | uptime, f"what {user} may read")  # noqa: B023
        assert set(one.heard) == MAY_READ[user] | uptime
    with Client(shop, "foreman", password="guessed") as nobody:  # noqa: S106  not one of ours
        assert nobody.refused.wait(10)
    with socket.create_connection(("127.0.0.1", shop.port), 10) as plain:
        plain.sendall(b"\x10\x0e\x00\x04MQTT\x04\x02\x00\x3c\x00\x02me")  # a CONNECT without TLS
        answer = b""
        with contextlib.suppress(ConnectionResetError):
            answer = plain.recv(1)
        assert answer in {b"", b"\x15"}  # hung up, at most after a TLS alert; 0x20 would be a yes


def test_services_broker_and_health_checks_together(shop: Shop) -> None:
    need("mosquitto_sub")  # the broker's health check
    broker = shop.begin_broker()
    rig = HandRig()
    rig.name = "bay-1"
    (shop.folder / "rigs/bay-1.toml").write_text(
        '[rig]\nname = "bay-1"\n[sections.front_left]\nfloor = "3 bar"\n'
        f'[mqtt]\nhost = "localhost"\nport = {shop.port}\ntls = true\nca = "{shop.secrets}/ca.pem"\n'
    )
    localhost = ("-p 8883", f"-p {shop.port}")
    with PtyRig(shop.folder, rig, period_s=0.1) as port, Client(shop, "foreman", "cornerhold/#") as foreman:
        assert shop.health("analysis") == 1  # not begun
        shop.begin_service("logger", {"/dev/rig": str(port.path)})
        shop.begin_service("analysis")
        wait_for(lambda: foreman.heard.get("cornerhold/bay-1/presence/logger") == b"online", "the logger")
        wait_for(lambda: foreman.heard.get("cornerhold/bay-1/presence/analysis") == b"online", "the analysis")
        wait_for(
            lambda: b"front_left.pressure" in foreman.heard.get("cornerhold/bay-1/readings", b""), "readings"
        )
        rig.pressure = TWO_BAR
        alarm = "cornerhold/bay-1/alarms/front_left/floor"
        wait_for(lambda: alarm in foreman.heard, "an alarm")
        foreman.say("cornerhold/bay-1/acknowledge/front_left/floor", "")
        # retained, it counts for nothing: it would acknowledge what nobody has seen yet
        foreman._client.publish("cornerhold/bay-1/acknowledge/front_left/floor", "", qos=1).wait_for_publish(
            10
        )
        wait_for(lambda: json.loads(foreman.heard[alarm])["state"] == "acknowledged", "the acknowledgement")
        rig.pressure = SEVEN_BAR
        assert shop.health("logger") == 0
        assert shop.health("analysis") == 0
        assert shop.health("mosquitto", localhost) == 0
        broker.kill()
        broker.wait()
        assert shop.health("mosquitto", localhost) != 0
    for log in ("logger.log", "analysis.log"):
        said = (shop.folder / log).read_text()
        assert "doesn't come back" not in said  # what they published they could read back
        assert "Traceback" not in said


def begin_front(shop: Shop) -> tuple[str, int]:
    """Begin page and front; return the page's token and the front's port."""
    token, hashed = new_token()
    (shop.folder / "rigs/bay-1.toml").write_text(
        f'[rig]\nname = "bay-1"\n[page]\ntoken_sha256 = "{hashed}"\nnames = ["{SERVER}"]\n'
    )
    page_port, front_port = free_port(), free_port()
    shop.begin_service("page", {"0.0.0.0": "127.0.0.1", "8460": str(page_port)})  # noqa: S104  that of the container
    file = shop.config(
        "nginx.conf",
        ("listen 8443", f"listen 127.0.0.1:{front_port}"),
        ("http://page:8460", f"http://127.0.0.1:{page_port}"),
        ("/tmp/", f"{shop.folder}/"),  # noqa: S108  that of the container
        ("worker_processes 1;", "worker_processes 1; user root;"),
    )
    assert COMPOSE["services"]["front"]["entrypoint"] == ["nginx", "-g", "daemon off;"]
    front = shop.start(need("nginx"), "-c", str(file), "-g", "daemon off;")
    wait_for(lambda: shop.listens(front_port) or front.poll() is not None, "the front")
    assert front.poll() is None, (shop.folder / "nginx.log").read_text()
    wait_for(lambda: shop.listens(page_port), "the page")
    return token, front_port


def test_the_front_lets_through_to_the_page_by_tls_only(shop: Shop) -> None:
    token, front_port = begin_front(shop)
    known = ours = ssl.create_default_context(cafile=str(shop.secrets / "ca.pem"))

    def answer(
        path: str, data: dict[str, str] | None = None, *, tls: bool = True, host: str | None = None
    ) -> tuple[int, Any]:
        line = (
            http.client.HTTPSConnection("localhost", front_port, timeout=20, context=known)
            if tls
            else http.client.HTTPConnection("localhost", front_port, timeout=20)
        )
        with contextlib.closing(line):
            if data is None:
                line.request("GET", path, headers={} if host is None else {"Host": host})
            else:
                form = {"Content-Type": "application/x-www-form-urlencoded"}
                line.request("POST", path, urllib.parse.urlencode(data), form)
            said = line.getresponse()
            said.read()
            return said.status, said.headers

    status, headers = answer("/login")
    assert status == 200
    assert headers["Strict-Transport-Security"] == "max-age=31536000"
    assert headers["Server"] == "nginx"  # and no version
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    assert answer("/api/rigs")[0] == 401
    # the name in the certificate is one of the page's own by the settings
    assert answer("/login", host=SERVER)[0] == 200
    assert answer("/login", host="rebound.example")[0] == 400
    status, headers = answer("/login", {"token": token})
    assert status == 303
    cookie = headers["Set-Cookie"]
    # the page knows that the visitor came by TLS
    assert {"secure", "httponly"} <= {part.strip().lower() for part in cookie.split(";")}
    status, headers = answer("/", tls=False)
    assert (status, headers["Location"]) == (301, f"https://localhost:{front_port}/")
    # a certificate of another authority is refused by whoever looks
    known = ssl.create_default_context()
    with pytest.raises(ssl.SSLCertVerificationError):
        answer("/login")
    known = ours
    # what the health check of the front asks for is what was answered with 200 above; the page's own is run
    assert COMPOSE["services"]["front"]["healthcheck"]["test"][-1] == "https://localhost:8443/login"
    assert shop.health("page") == 0


def test_the_front_slows_guesses_by_form_and_by_header_and_nothing_else(shop: Shop) -> None:
    token, front_port = begin_front(shop)
    known = ssl.create_default_context(cafile=str(shop.secrets / "ca.pem"))
    form = {"Content-Type": "application/x-www-form-urlencoded"}

    def codes(
        count: int, method: str, path: str, headers: dict[str, str], body: str | None = None
    ) -> set[int]:
        line = http.client.HTTPSConnection("localhost", front_port, timeout=20, context=known)
        found = []
        with contextlib.closing(line):
            for _ in range(count):
                line.request(method, path, body, headers)
                answer = line.getresponse()
                said = answer.read()
                # the front's own word, not the page's
                found.append((answer.status, b"nginx" in said))
        return {status for status, by_front in found if by_front} or {found[0][0]}

    assert codes(60, "GET", "/login", {}) == {200}
    # all at once, on many lines: a wrong one waits at the page for its answer
    for guess in (
        lambda: codes(1, "POST", "/login", form, "token=wrong"),
        lambda: codes(1, "GET", "/api/rigs", {"Authorization": "Bearer wrong"}),
    ):
        with ThreadPoolExecutor(40) as together:
            found = [one.result() for one in [together.submit(guess) for _ in range(60)]]
        assert {429} in found
    wait_for(lambda: codes(1, "GET", "/api/rigs", {"Authorization": f"Bearer {token}"}) == {200}, "its turn")


def test_a_silent_crowd_before_the_front_shuts_nobody_out(shop: Shop) -> None:
    """Six hundred that have begun to shake hands and say no more."""
    _, front_port = begin_front(shop)
    known = ssl.create_default_context(cafile=str(shop.secrets / "ca.pem"))
    with contextlib.ExitStack() as stack:
        for _ in range(600):
            line = stack.enter_context(socket.create_connection(("127.0.0.1", front_port), 20))
            line.sendall(b"\x16\x03\x01")
        asking = http.client.HTTPSConnection("localhost", front_port, timeout=5, context=known)
        with contextlib.closing(asking):
            asking.request("GET", "/login")
            assert asking.getresponse().status == 200
