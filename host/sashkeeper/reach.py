"""Who can reach the broker, and whether what crosses the network is enciphered."""

from __future__ import annotations

import ipaddress
from pathlib import Path

from .config import Broker
from .errors import InputError


def home_file(home: Path, name: str) -> str:
    """Return the path of a file that the settings name: as it is, or from the home folder on; "" stays ""."""
    return str(home / name) if name else ""


def stays_here(host: str) -> bool:
    """Return whether an address leads to this computer only."""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def in_clear(b: Broker) -> bool:
    """Return whether messages cross the network without TLS."""
    if b.kind == "external":
        return not b.tls and not stays_here(b.host)
    return not b.cert_file and not stays_here(b.listen)


def refuse_plain(b: Broker) -> None:
    """Raise InputError when messages would cross the network in clear without the grower's word."""
    if in_clear(b) and not b.plain:
        where = b.host if b.kind == "external" else b.listen
        raise InputError(
            f"The broker at {where} would be reached without TLS: passwords would travel in clear. Make certificates "
            'with "sashkeeper join certificates", or write plain = true under [broker] in sashkeeper.toml if you '
            "trust everybody on that network."
        )
