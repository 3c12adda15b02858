"""By which names the page may be asked for, on whatever address it listens.

A browser says in the Host header which name it was given. A page from elsewhere can point a name of its own at this
computer and then reads along as if it were ours; and a Host that is no host at all has let strangers past checks that
believed it. So only names are answered to that this computer has, or that the settings name.
"""

from __future__ import annotations

import ipaddress
import re
import socket
from dataclasses import dataclass
from typing import Final

from analysis.page_guard import is_loopback

_HOST: Final = re.compile(r"(\[[0-9A-Fa-f:.]{2,45}\]|[A-Za-z0-9._-]{1,253})(?::[0-9]{1,5})?", re.ASCII)


def host_of(header: str) -> str | None:
    """Return the host of a Host header without its port; None: that is no host.

    >>> [host_of(x) for x in ("127.0.0.1:80", "[::1]:80", "Shop.Example.", "x/login?", "a@b", "")]
    ['127.0.0.1', '[::1]', 'shop.example', None, None, None]
    """
    found = _HOST.fullmatch(header)
    return None if found is None else found[1].lower().rstrip(".")


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host.strip("[]"))
    except ValueError:
        return False
    return True


@dataclass(frozen=True, slots=True)
class Hosts:
    """The names of a page."""

    only_loopback: bool
    names: frozenset[str] = frozenset()

    @classmethod
    def of_this_computer(cls, more: tuple[str, ...], *, only_loopback: bool) -> Hosts:
        """The names that this computer has where others reach it, and more. No name service is asked."""
        names = {name.lower().rstrip(".") for name in more}
        if not only_loopback:
            own = socket.gethostname().lower()
            short = own.partition(".")[0]
            names |= {own, short, f"{short}.local"}
        return cls(only_loopback, frozenset(names - {""}))

    def answer_to(self, header: str) -> bool:
        """Whether a request with this Host header is for us. A bare address can't be another's name."""
        host = host_of(header)
        if host is None:
            return False
        if is_loopback(host):
            return True
        return host in self.names or (not self.only_loopback and _is_address(host))

    def refusal(self) -> str:
        """What whoever came by another name is told."""
        whose = "this computer's own names" if self.only_loopback else "its own names"
        return f"this page answers to {whose} only; another one belongs into [page] names of the settings"
