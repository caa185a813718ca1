"""What opening the network needs to know of this computer: its addresses, its name, who announces it."""

import socket
from collections.abc import Sequence
from ipaddress import IPv4Address, ip_address
from pathlib import Path

import click

from controller.model.fields import Value

ANNOUNCERS = ("/run/avahi-daemon/socket", "/run/avahi-daemon/pid")  # Avahi answers for HOSTNAME.local (RFC 6762)
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
    """The address that this computer would use towards its network."""
    for target in ("192.168.255.254", "10.255.255.254", "172.31.255.254"):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            try:
                probe.connect((target, PRIVATE_PORT))
            except OSError:
                continue
            found = IPv4Address(probe.getsockname()[0])
            if found.is_private and not found.is_loopback:
                return str(found)
    return None


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
