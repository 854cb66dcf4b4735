"""What of a caller's address counts, and what of it is kept."""

from ipaddress import IPv4Address, IPv6Address, ip_address, ip_network

_LONGEST = 60  # characters of what is no address
_ONE_PLACE = {4: 32, 6: 64}  # bits: a single machine may take any of 2**64 addresses in an IPv6 network (RFC 4291, 2.5.4)
_KEPT = {4: 24, 6: 48}  # which part of the house, and not which desk


def place_of(address: str) -> str:
    """As it is; of an IPv6 one its network."""
    known = _known(address)
    if known is None:
        return address[:_LONGEST]
    return str(known) if known.version == 4 else _network(known, _ONE_PLACE)


def network_of(address: str) -> str:
    known = _known(address)
    return "" if known is None else _network(known, _KEPT)


def _known(address: str) -> IPv4Address | IPv6Address | None:
    """A socket or proxy of both kinds calls 10.0.0.1 ::ffff:10.0.0.1 (RFC 4291, 2.5.5.2): as one network all of those would be one place."""
    try:
        known = ip_address(address)
    except ValueError:
        return None
    return getattr(known, "ipv4_mapped", None) or known


def _network(known: IPv4Address | IPv6Address, bits: dict[int, int]) -> str:
    return str(ip_network(f"{known}/{bits[known.version]}", strict=False))
