"""Which hosts a configuration may name, and to which addresses a name may lead. Pure: no look-up.

What a person wrote as an address is meant. A name is only as good as whoever answers for it, so what it
leads to is judged anew at each connection: this machine, its neighbours on the wire and a cloud's own
machines are nobody's chat server. Private ranges are: a plant's servers stand there.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network

Address = IPv4Address | IPv6Address
Network = IPv4Network | IPv6Network

LOOPBACK = "a loopback address"
_METADATA = "a metadata address"
_NOBODY = "an unspecified address"
_LINK = "a link-local address"
_MANY = "a multicast address"
_SHARED = "a carrier's shared address"
_MAPPED = "an IPv4 address in IPv6 form"
_RESERVED = "a reserved address"
_PRIVATE = "a private address"
_PLANTS = tuple(ip_network(each) for each in ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "fc00::/7"))
_SPECIAL: tuple[tuple[str, tuple[Network, ...]], ...] = tuple(
    (name, tuple(ip_network(each) for each in networks))
    for name, networks in (
        # Of the large clouds; the first also stands for all of 169.254.0.0/16.
        (_METADATA, ("169.254.169.254", "168.63.129.16", "192.0.0.192", "fd00:ec2::254")),
        (_METADATA, ("100.100.100.200", "fd20:ce::254")),
        (LOOPBACK, ("127.0.0.0/8", "::1")),
        (_NOBODY, ("0.0.0.0/8", "::")),
        (_LINK, ("169.254.0.0/16", "fe80::/10", "fec0::/10")),
        (_MANY, ("224.0.0.0/4", "ff00::/8")),
        (_SHARED, ("100.64.0.0/10",)),
        (_MAPPED, ("::ffff:0:0/96", "::/96", "2002::/16", "2001::/32")),
    )
)
_TRANSLATED = ip_network("64:ff9b::/96")
"""NAT64 (RFC 6052): the last four bytes are the IPv4 address that is reached."""
_OPENABLE = (_LINK, _SHARED, _RESERVED, _PRIVATE)
_NEVER = (
    _TRANSLATED,
    *(each for name, those in _SPECIAL for each in those if name in (LOOPBACK, _NOBODY, _MANY)),
)


def literal(host: str) -> Address | None:
    """The address that ``host`` is, in the usual form; ``None`` for a name."""
    try:
        return ip_address(host)
    except ValueError:
        return None


def check_host(host: str) -> None:
    """``ValueError`` where ``host`` is an address in a form that programs read differently, or one at which
    nothing can be reached."""
    address = literal(host)
    if address is None and (":" in host or _ends_in_a_number(unicodedata.normalize("NFKC", host))):
        raise ValueError("writes an address in an odd form (four decimal numbers, or IPv6 in brackets)")
    if address is None:
        return
    if isinstance(address, IPv6Address) and address.scope_id is not None:
        raise ValueError("names a network interface behind % (leave it out)")
    what = special(address)
    if what in (_MAPPED, _NOBODY, _MANY):
        raise ValueError(f"names {what} (write the address that is meant)")


def check_allowed(network: str) -> None:
    """``ValueError`` unless ``network`` may be opened to names: those of this machine never are."""
    try:
        wanted = ip_network(network)
    except ValueError:
        raise ValueError("is no network such as 100.64.0.0/10") from None
    if any(wanted.version == each.version and wanted.overlaps(each) for each in _NEVER):
        raise ValueError("holds addresses that no name may lead to: loopback, multicast")


def special(address: Address) -> str | None:
    """What is special about an address that a name may not lead to; ``None`` for public and private ones."""
    if address in _TRANSLATED:
        return special(IPv4Address(int(address) & 0xFFFFFFFF))
    for name, networks in _SPECIAL:
        if any(address in each for each in networks):
            return name
    if address.is_global or any(address in each for each in _PLANTS):
        return None
    return _RESERVED


def refusal(
    host: str, address: Address, allowed: Iterable[Network] = (), *, public_only: bool = False
) -> str | None:
    """Why ``host`` may not be reached at ``address``; ``None`` where it may. ``public_only``: it wasn't named
    by whoever configured us, so the plant's own servers aren't meant either."""
    if literal(host) is not None:
        return None if literal(host) == address else "its address is not the one that was configured"
    what = special(address)
    if what is None and public_only and _is_plants(address):
        what = _PRIVATE
    if what is None or (what in _OPENABLE and any(address in each for each in allowed)):
        return None
    if what == LOOPBACK and not public_only and host.rstrip(".").lower() == "localhost":
        return None
    return f"its name leads to {what}"


def _is_plants(address: Address) -> bool:
    plain = IPv4Address(int(address) & 0xFFFFFFFF) if address in _TRANSLATED else address
    return any(plain in each for each in _PLANTS)


def _ends_in_a_number(host: str) -> bool:
    """As browsers decide that a host is an IPv4 address (WHATWG URL, 3.5): by its last part."""
    last = host.removesuffix(".").replace("\u3002", ".").rpartition(".")[2].lower()
    return last.isdigit() or (last.startswith("0x") and all(each in "0123456789abcdef" for each in last[2:]))
