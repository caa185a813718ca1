"""What opening the network needs to know of this computer: its addresses, its name, who announces it."""

import fcntl
import socket
from collections.abc import Iterator, Sequence
from contextlib import suppress
from ipaddress import IPv4Address, IPv4Network, ip_address
from itertools import chain
from pathlib import Path

import click

from controller.model.fields import Value

ANNOUNCERS = ("/run/avahi-daemon/socket", "/run/avahi-daemon/pid")  # Avahi answers for HOSTNAME.local (RFC 6762)
PRIVATE = [IPv4Network(one) for one in ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16")]  # as the drop-in allows
SIOCGIFADDR, IFREQ_BYTES = 0x8915, 40  # linux/sockios.h, linux/if.h
PRIVATE_PORT = 9  # discard; nothing is sent to it


class NetworkHost(Value, frozen=True, kw_only=True):
    """This computer on its network. mdns: HOSTNAME.local, when something announces that."""

    address: str | None
    mdns: str | None


def look() -> NetworkHost:
    """The present address and name; nothing is sent."""
    is_announced = any(Path(one).exists() for one in ANNOUNCERS)
    name = socket.gethostname().partition(".")[0].lower()
    return NetworkHost(address=_address(), mdns=f"{name}.local" if is_announced else None)


def _address() -> str | None:
    """A private address of this computer: the one towards its network; where no way leads out, any that it has."""
    found = (one for one in chain(_routed(), _held()) if any(one in network for network in PRIVATE))
    return next(map(str, found), None)


def _routed() -> Iterator[IPv4Address]:
    """From which address this computer would send to private ones."""
    for target in ("192.168.255.254", "10.255.255.254", "172.31.255.254"):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe, suppress(OSError):
            probe.connect((target, PRIVATE_PORT))
            yield IPv4Address(probe.getsockname()[0])


def _held() -> Iterator[IPv4Address]:
    """The first address of each interface, as netdevice(7) tells it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        for _, name in socket.if_nameindex():
            with suppress(OSError):  # it has none
                answer = fcntl.ioctl(asking, SIOCGIFADDR, name.encode().ljust(IFREQ_BYTES, b"\0"))
                yield IPv4Address(answer[20:24])


def names_for(host: NetworkHost, given: Sequence[str]) -> tuple[str, ...]:
    """Names that the engine answers to: those given, the announced one, the address. The first stands in links."""
    found = [*given, *(one for one in (host.mdns, host.address) if one is not None)]
    if not found:
        raise click.UsageError("this computer has no address on a private network: connect it first, or give --name.")
    return tuple(dict.fromkeys(_checked(one.lower()) for one in found))


def _checked(name: str) -> str:
    """A host name or an address; both are all that may stand in a Host header of ours."""
    try:
        return str(ip_address(name))
    except ValueError:
        pass
    if not all(part.replace("-", "").isalnum() and part.isascii() for part in name.split(".")):
        raise click.BadParameter(f"{name!r} is no name of a computer.", param_hint="--name")
    return name
