"""Who may send: addresses and networks, IPv4 and IPv6."""

import ipaddress
from collections.abc import Iterable

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network

LOOPBACK = ("127.0.0.0/8", "::1")
"""What stands for an empty list: this computer only."""


def networks_of(texts: Iterable[str]) -> tuple[Network, ...]:
    """Return the networks that texts such as ``192.168.20.31`` or ``192.168.20.0/24`` name.

    Raises
    ------
    ValueError
        If one is no address and no network; host names are none, since whoever answers for a
        name could let himself in.
    """
    return tuple(ipaddress.ip_network(text, strict=False) for text in texts)


def is_loopback(host: str) -> bool:
    """Tell whether a host to bind to can be reached from this computer only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


class AllowList:
    """Tells who is let in."""

    def __init__(self, texts: Iterable[str] = ()) -> None:
        """Read the list; an empty one lets in this computer only."""
        self._networks = networks_of(tuple(texts) or LOOPBACK)

    def has(self, host: str) -> bool:
        """Tell whether a sender's address, as a socket gives it, is on the list."""
        address: Address = ipaddress.ip_address(host.partition("%")[0])  # fe80::1%eth0
        if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped:
            address = address.ipv4_mapped
        return any(address in network for network in self._networks)
