"""The port: bytes in and out, read by one thread of its own, with one kind of error.

An unplugged adapter shows itself as `serial.SerialException`, as a bare `OSError` or as `termios.error`,
which is neither; all three become `PortError` here. A port is opened for this program alone: two that share
one steal each other's bytes.
"""

from __future__ import annotations

import errno
import os
import select
import termios
import threading
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

import serial

from logger.errors import PlainError

if TYPE_CHECKING:
    from collections.abc import Callable

DEFAULT_BAUD: Final = 115_200
_READ_SIZE: Final = 16_384
_WRITE_TIMEOUT_S: Final = 1.0
_WHY: Final = {
    errno.ENOENT: "there is no such port",
    errno.EACCES: "no permission to use it (the user must belong to the group that owns it)",
    errno.EIO: "it was unplugged",
    errno.ENODEV: "it was unplugged",
    errno.ENXIO: "it was unplugged",
    errno.ENOTTY: "it is no serial port",
}
_BUSY: Final = {errno.EAGAIN, errno.EBUSY}

UNPLUG_ERRORS: Final = (serial.SerialException, OSError, termios.error)


class PortError(PlainError):
    """The port can't be opened or has gone away."""

    def __init__(self, port: str, reason: str) -> None:
        """Say which `port`, and why in one sentence."""
        super().__init__(f"port {port}: {reason}")
        self.port: Final = port
        self.reason: Final = reason


class PortBusyError(PortError):
    """Another program holds the port."""


class PortFullError(PortError):
    """The other end takes no bytes."""


def as_port_error(port: str, error: BaseException) -> PortError:
    """Turn what pyserial and the system raise into the one error of this module."""
    number = getattr(error, "errno", None)
    if number is None and error.args and isinstance(error.args[0], int):
        number = error.args[0]  # termios.error has no errno of its own
    if number in _BUSY:
        return PortBusyError(port, "another program is using it")
    if isinstance(error, serial.SerialTimeoutException):
        return PortFullError(port, f"it took no bytes for {_WRITE_TIMEOUT_S:.0f} s")
    return PortError(port, _WHY.get(number or 0) or " ".join(str(error).split()) or type(error).__name__)


class Port:
    """An open port. `read` belongs to one thread; `write`, `cancel` and `close` may come from any."""

    def __init__(self, name: str, baud: int = DEFAULT_BAUD) -> None:
        """Open `name`, a device or ``socket://host:port``, for this program alone; else `PortError`."""
        self.name: Final = name
        scheme = urlsplit(name).scheme if "://" in name else ""
        if scheme not in {"", "socket"}:
            raise PortError(name, f"{scheme}:// is not supported, only a device or socket://host:port")
        try:
            self._serial = serial.serial_for_url(
                name, baudrate=baud, timeout=0, write_timeout=_WRITE_TIMEOUT_S, exclusive=True
            )
        except (*UNPLUG_ERRORS, ValueError) as error:
            raise as_port_error(name, error) from error
        self._lock = threading.Lock()
        self._wake_out, self._wake_in = os.pipe()
        os.set_blocking(self._wake_in, False)
        self._poll = select.poll()
        self._poll.register(self._serial.fileno(), select.POLLIN)
        self._poll.register(self._wake_out, select.POLLIN)
        self._closed = False
        self._cancelled = False

    def read(self, timeout_s: float | None = None) -> bytes:
        """The bytes that have arrived, as soon as there are some; nothing on a time-out or after `cancel`."""
        # The descriptor is read directly: a read of pyserial's either waits for a number of bytes or, on a
        # socket, comes back with one at a time.
        try:
            ready = self._poll.poll(None if timeout_s is None else timeout_s * 1000)
            if self._cancelled or not ready:
                return b""
            data = os.read(self._serial.fileno(), _READ_SIZE)
        except BlockingIOError:
            return b""
        except UNPLUG_ERRORS as error:
            raise as_port_error(self.name, error) from error
        if not data:
            raise PortError(self.name, "the other end has closed it")
        return data

    def write(self, data: bytes) -> None:
        """Send `data`; `PortError` if the port is gone or takes nothing for a second."""
        with self._lock:
            if self._closed:
                raise PortError(self.name, "it is closed")
            try:
                self._serial.write(data)
            except UNPLUG_ERRORS as error:
                raise as_port_error(self.name, error) from error

    def cancel(self) -> None:
        """Make a `read` that waits return, and every later one at once."""
        with self._lock:
            self._cancelled = True
            if not self._closed:
                os.write(self._wake_in, b"x")

    def close(self) -> None:
        """Close the port; more than once does no harm."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
            os.close(self._wake_in)
            os.close(self._wake_out)
            try:
                self._serial.close()
            except UNPLUG_ERRORS:
                return  # a port that went away can't be closed properly, and needn't be


class PortReader(threading.Thread):
    """The one thread that reads a port: hands on what arrives, and in the end why it ended."""

    def __init__(
        self, port: Port, on_data: Callable[[bytes], None], on_end: Callable[[BaseException | None], None]
    ) -> None:
        """Read `port`; `on_end` gets the error, or None after `stop`. Both are called from this thread."""
        super().__init__(name=f"port {port.name}", daemon=True)
        self._port = port
        self._on_data = on_data
        self._on_end = on_end
        self._stopping = threading.Event()

    def run(self) -> None:
        """Read until the port ends or `stop` is called; the port is closed in any case."""
        end: BaseException | None = None
        try:
            while not self._stopping.is_set():
                data = self._port.read()
                if data:
                    self._on_data(data)
        except BaseException as error:  # noqa: BLE001 - a thread that dies silently takes the data with it: handed on
            end = error
        finally:
            self._port.close()
            self._on_end(None if self._stopping.is_set() else end)

    def stop(self) -> None:
        """Ask the thread to end; `join` it to be sure."""
        self._stopping.set()
        self._port.cancel()
