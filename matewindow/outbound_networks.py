"""Which addresses may be called when a user says where to: the public internet, and what the settings add to it.

Addresses are judged, never spellings: what a name or an odd spelling of a number leads to is for the resolver to say.

On a network whose NAT64 uses a prefix of its own (RFC 6052, section 2.2) the addresses carried inside cannot be
seen; only the well-known prefix is unwrapped.
"""

from __future__ import annotations

import ipaddress
import re
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network

from matewindow.errors import InputError

Address = IPv4Address | IPv6Address
Network = IPv4Network | IPv6Network

SETTING = "MATEWINDOW_OUTBOUND_NETWORKS"


def _networks(*texts: str) -> tuple[Network, ...]:
    return tuple(ipaddress.ip_network(text) for text in texts)


_NAT64 = IPv6Network("64:ff9b::/96")
"""Well-known prefix before an IPv4 address (RFC 6052): the way to the IPv4 internet where there is IPv6 only."""

_GLOBAL_UNICAST = IPv6Network("2000::/3")
"""All of IPv6 that has been given out for hosts. Source: RFC 4291, section 2.4; IANA, IPv6 address space."""

_NOT_PUBLIC = _networks(
    "100.64.0.0/10",  # shared between a provider and its customers, RFC 6598
    "192.0.0.0/24",  # protocol assignments, RFC 6890
    "192.88.99.0/24",  # relays of 6to4, RFC 7526
    "198.18.0.0/15",  # benchmarks, RFC 2544
    "2001::/23",  # protocol assignments, among them Teredo, RFC 4380
    "2001:db8::/32",  # documentation, RFC 3849
    "2002::/16",  # 6to4, given up by RFC 7526
    "3fff::/20",  # documentation, RFC 9637
)
"""Not public though `ipaddress` of one Python version or another says so.

Source: IANA, IPv4 and IPv6 special-purpose address registries, with the RFC beside each."""

_NEVER = _networks(
    "0.0.0.0/8",  # "this host": a connection to it reaches the machine itself
    "169.254.0.0/16",  # link-local, RFC 3927; metadata of most hosts of virtual machines
    "224.0.0.0/4",  # multicast
    "240.0.0.0/4",  # reserved, and broadcast
    "168.63.129.16/32",  # Azure's agent, though in public address space
    "100.100.100.200/32",  # metadata of Alibaba Cloud
    "192.0.0.192/32",  # metadata of Oracle Cloud, older
    "::/128",
    "fe80::/10",  # link-local, RFC 4291
    "ff00::/8",  # multicast
    "fd00:ec2::/32",  # metadata and name service of AWS
    "fd20:ce::254/128",  # metadata of Google Cloud
    "fd00:c1::a9fe:a9fe/128",  # metadata of Oracle Cloud
    "fd00:42::42/128",  # metadata of Scaleway
)
"""Not to be called whatever the settings allow. The addresses of single hosts are from memory of their manuals."""


def carried(address: Address) -> tuple[IPv4Address, ...]:
    """The IPv4 addresses inside an IPv6 address, which is where a call to it may end.

    Returns:
        None, one, or for Teredo two (server and client).

    Source:
        RFC 4291, section 2.5.5.2 (mapped); RFC 6052, section 2.1 (NAT64); RFC 3056 (6to4); RFC 4380 (Teredo).
    """
    if isinstance(address, IPv4Address):
        return ()
    if address in _NAT64:
        return (IPv4Address(int(address) & 0xFFFFFFFF),)
    return tuple(inner for inner in (address.ipv4_mapped, address.sixtofour, *(address.teredo or ())) if inner)


def is_never_called(address: Address) -> bool:
    """Whether an address, or one that it carries, may not be called whatever the settings say."""
    return any(a in network for a in (address, *carried(address)) for network in _NEVER)


def is_public(address: Address) -> bool:
    """Whether an address is one of a host on the public internet, as is every address that it carries.

    Mapped and NAT64 addresses are as public as what they carry; tunnels (6to4, Teredo) never are.
    """
    inside = carried(address)
    if is_never_called(address) or not all(is_public(inner) for inner in inside):
        return False
    if isinstance(address, IPv6Address):
        if address.ipv4_mapped is not None or address in _NAT64:
            return True
        if address not in _GLOBAL_UNICAST:
            return False
    return (
        address.is_global
        and not (address.is_multicast or address.is_reserved)
        and not any(address in network for network in _NOT_PUBLIC)
    )


@dataclass(frozen=True)
class AllowedNetwork:
    """A network that may be called though it is not public, at one port or at all (None)."""

    network: Network
    port: int | None = None

    def holds(self, address: Address, port: int) -> bool:
        """Whether an address and port are in it."""
        return address in self.network and self.port in {None, port}


def allowed_networks(text: str) -> tuple[AllowedNetwork, ...]:
    """Read the networks that the owner of the machine allows: ``192.168.1.0/24, 192.168.7.4:8123, [fd12::/48]:8123``.

    Args:
        text: networks or single addresses, each with a port if only that is allowed, separated by commas or spaces.
            An IPv6 network with a port stands in brackets.

    Raises:
        InputError: an entry is no network, or one that is never called.
    """
    return tuple(_allowed(entry) for entry in re.split(r"[,\s]+", text) if entry)


def _allowed(entry: str) -> AllowedNetwork:
    found = re.fullmatch(r"(?:\[([^\[\]]+)\]|([^:\[\]]+)):([0-9]{1,5})|([^\[\]]+)", entry)
    port = int(found[3]) if found and found[3] else None
    try:
        network = ipaddress.ip_network((found[1] or found[2] or found[4]) if found else "")
    except ValueError:
        network = None
    if network is None or (port is not None and not 1 <= port <= 65535):
        fix = "Write networks such as 192.168.1.0/24, 192.168.1.7:8123 or [fd12::/48]:8123, separated by commas."
        raise InputError(f"{entry!r} is no network with or without a port", where=SETTING, fix=fix)
    if any(network.version == never.version and network.subnet_of(never) for never in _NEVER):  # type: ignore[arg-type]
        fix = "Leave it out: such addresses belong to the machine itself, its link or its host's metadata service."
        raise InputError(f"{entry!r} cannot be allowed", where=SETTING, fix=fix)
    return AllowedNetwork(network, port)
