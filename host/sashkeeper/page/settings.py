"""The [page] table of sashkeeper.toml: where the page listens, and under which conditions."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import InputError

NAMES = ("listen", "port", "cert_file", "key_file", "plain", "contact")


@dataclass(frozen=True)
class PageSettings:
    """listen, port: address of the page; port 0 takes a free one.

    cert_file, key_file: with them the page speaks TLS. plain: the grower's own word that a page without TLS
    may be reached from other computers. contact: who answers for messages to push services (RFC 8292 "sub").
    """

    listen: str = "127.0.0.1"
    port: int = 8080
    cert_file: str = ""
    key_file: str = ""
    plain: bool = False
    contact: str = ""

    @property
    def tls(self) -> bool:
        """Whether the page speaks TLS itself."""
        return bool(self.cert_file)

    @property
    def only_here(self) -> bool:
        """Whether nobody but this computer can reach the page."""
        return self.listen == "localhost" or _is_loopback(self.listen)


def _is_loopback(text: str) -> bool:
    try:
        return ipaddress.ip_address(text).is_loopback
    except ValueError:
        return False


def read(table: Mapping[str, Any], home: Path) -> PageSettings:
    """Read the [page] table. Raises InputError naming all faults."""
    faults = [f"page.{name} is not a setting we know" for name in table if name not in NAMES]
    for name, kind, words in (
        ("listen", str, 'an address like "0.0.0.0"'),
        ("cert_file", str, "the name of a file"),
        ("key_file", str, "the name of a file"),
        ("contact", str, "a mail address"),
        ("plain", bool, "true or false"),
    ):
        if name in table and not isinstance(table[name], kind):
            faults.append(f"page.{name} should be {words} (it is {table[name]!r})")
    port = table.get("port", 8080)
    if not isinstance(port, int) or isinstance(port, bool) or not 0 <= port <= 65535:
        faults.append(f"page.port should be a number from 1 to 65535 (it is {port!r})")
    if faults:
        raise _fault(faults)
    found = PageSettings(**table)
    if bool(found.cert_file) != bool(found.key_file):
        faults.append("page.cert_file and page.key_file go together; one is missing")
    for name in ("cert_file", "key_file"):
        value = getattr(found, name)
        if value and not (home / value).is_file():
            faults.append(f"page.{name}: there is no file {home / value}")
    if found.contact and not re.match(r"(mailto:|https://)?[^\s@/]+[@/.][^\s]+\Z", found.contact):
        faults.append("page.contact should be a mail address, like grower@example.org")
    if not found.only_here and not found.tls and not found.plain:
        faults.append(
            f"page.listen is {found.listen}, so others on the network can reach the page, but it has no certificate: "
            "the passphrase would travel in clear. Give page.cert_file and page.key_file, or write page.plain = true "
            "if you trust everybody on that network"
        )
    if faults:
        raise _fault(faults)
    return found


def _fault(faults: list[str]) -> InputError:
    return InputError(f"The settings of the page have faults: {'; '.join(faults)}. Nothing was started.")
