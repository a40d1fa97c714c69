"""Addresses of this machine, and the names under which a browser may ask for it."""

from __future__ import annotations

import socket
from contextlib import suppress
from ipaddress import IPv4Address, ip_address

HERE = IPv4Address("127.0.0.1")

# An address in each network for private use (RFC 1918) and in one for documentation (RFC 5737),
# which stands for everywhere else.
_ELSEWHERE = ("192.168.255.254", "10.255.255.254", "172.31.255.254", "192.0.2.254")


def local_address() -> IPv4Address | None:
    """This machine's address on the local network; None where it has none."""
    found = [address for address in map(_towards, _ELSEWHERE) if address]
    return next((address for address in (*found, *_named()) if _is_local(address)), None)


def _towards(other: str) -> IPv4Address | None:
    """The own address that would be used to reach another.  Connecting a datagram socket only
    looks up the route: nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking, suppress(OSError):
        asking.connect((other, 9))
        return IPv4Address(asking.getsockname()[0])
    return None


def _named() -> list[IPv4Address]:
    """The addresses of this machine's own name, for a network that leads nowhere else."""
    with suppress(OSError):
        found = socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
        return [IPv4Address(str(address[0])) for *_, address in found]
    return []


def _is_local(address: IPv4Address) -> bool:
    return address.is_private and not (address.is_loopback or address.is_unspecified)


def is_ours(host: str | None, *, shared: bool) -> bool:
    """Whether the Host that a browser asks for can be meant for us.

    A page of another site can make its own name point to this machine and then read what is
    served here (DNS rebinding); its name still stands in Host.  So: this machine's names only, and
    where it is `shared` addresses and the machine's name, which no other site can have.
    """
    name = _without_port(host or "").casefold()
    if name in ("localhost", str(HERE)):
        return True
    own = socket.gethostname().casefold()
    return shared and (_is_address(name) or name in (own, f"{own}.local"))


def _without_port(host: str) -> str:
    name, _, port = host.rpartition(":")
    return name if name and port.isdecimal() else host


def _is_address(name: str) -> bool:
    with suppress(ValueError):
        return bool(ip_address(name))
    return False
