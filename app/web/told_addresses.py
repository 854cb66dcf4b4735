"""Addresses that a browser tells of itself, in Origin and Referer: anyone may send anything there."""

from urllib.parse import SplitResult, urlsplit


def parts_of(address: str) -> SplitResult | None:
    """None: it is no address, like http://[x"""
    try:
        return urlsplit(address)
    except ValueError:
        return None
