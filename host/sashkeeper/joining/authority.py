"""A certificate authority for one household, kept in the home folder under ``tls/``.

ca.pem, ca.key      the authority; the key never leaves this computer
ca.der              the same certificate in the form that boards read
server.pem, .key    the broker's certificate, also good for the page

A board checks three things: that the authority signed, that the name fits, that the time fits. Its clock may
stand at 2000 or 2021 until somebody sets it, so certificates are valid from 2000 on. Boards look for the one
name HOST_NAME, whatever address the host has this winter; browsers look for the address they were given.
"""

from __future__ import annotations

import contextlib
import datetime
import ipaddress
import os
import socket
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from ..errors import InputError, JobError
from .files import HOST_NAME, Files, files

BEGINS = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)
# The last year that every old library can read in a certificate. Source: RFC 5280, section 4.1.2.5.
AUTHORITY_ENDS = datetime.datetime(2049, 12, 31, tzinfo=datetime.UTC)
SERVER_DAYS = 5 * 365  # chosen; `doctor` speaks up before that
RENEW_DAYS = 60


def make(home: Path, addresses: Sequence[str], now_s: float) -> Files:
    """Make the authority if there is none yet, and a fresh broker certificate for these addresses and names.

    Boards keep trusting the authority, so a new certificate needs no visit to any frame. Raises InputError for
    an address that is none, JobError when the files cannot be written or the authority's cannot be read.
    """
    where = files(home)
    names = _names(addresses)
    try:
        where.folder.mkdir(parents=True, exist_ok=True)
        where.folder.chmod(0o700)
        if not where.ca_key.exists():
            _make_authority(where)
        _make_server(where, names, now_s)
    except OSError as fault:
        raise JobError(f"The certificates in {where.folder} could not be written: {fault.strerror}.") from fault
    return where


def _names(addresses: Sequence[str]) -> list[x509.GeneralName]:
    found: dict[str, x509.GeneralName] = {}
    for text in (HOST_NAME, "localhost", "127.0.0.1", *addresses):
        try:
            found[text] = x509.IPAddress(ipaddress.ip_address(text))
        except ValueError:
            label = text.lower()
            if not label or len(label) > 253 or not all(c.isalnum() or c in "-." for c in label) or not label.isascii():
                raise InputError(
                    f'"{text}" is neither an address nor a name of a computer. Nothing was changed. '
                    "Write it like 192.168.1.20 or garden-pi.local."
                ) from None
            found[text] = x509.DNSName(label)
    return list(found.values())


def _make_authority(where: Files) -> None:
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Sashkeeper authority of this household")])
    made = _builder(name, name, key.public_key(), AUTHORITY_ENDS)
    usage = x509.KeyUsage(
        digital_signature=False, content_commitment=False, key_encipherment=False, data_encipherment=False,
        key_agreement=False, key_cert_sign=True, crl_sign=True, encipher_only=False, decipher_only=False,
    )  # fmt: skip
    signed = (
        made.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(usage, critical=True)
        .sign(key, hashes.SHA256())
    )
    _put(where.ca_pem, signed.public_bytes(serialization.Encoding.PEM), 0o644)
    _put(where.ca_der, signed.public_bytes(serialization.Encoding.DER), 0o644)
    _put(where.ca_key, _private(key), 0o600)  # last: with it the authority is whole


def _make_server(where: Files, names: list[x509.GeneralName], now_s: float) -> None:
    try:
        signer = serialization.load_pem_private_key(where.ca_key.read_bytes(), None)
        authority = x509.load_pem_x509_certificate(where.ca_pem.read_bytes())
    except ValueError as fault:
        raise JobError(
            f"The authority in {where.folder} cannot be read ({fault}). Put the folder back from a backup. Without "
            "one, delete it and run this again; every board then needs the new ca.der by cable."
        ) from fault
    assert isinstance(signer, ec.EllipticCurvePrivateKey)
    key = ec.generate_private_key(ec.SECP256R1())
    now = datetime.datetime.fromtimestamp(now_s, datetime.UTC).replace(microsecond=0)
    end = min(now + datetime.timedelta(days=SERVER_DAYS), AUTHORITY_ENDS)
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, HOST_NAME)])
    signed = (
        _builder(subject, authority.subject, key.public_key(), end)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(authority.public_key()),  # type: ignore[arg-type]
            critical=False,
        )
        .sign(signer, hashes.SHA256())
    )
    _put(where.key, _private(key), 0o600)
    _put(where.cert, signed.public_bytes(serialization.Encoding.PEM), 0o644)


def _builder(
    subject: x509.Name, issuer: x509.Name, public: ec.EllipticCurvePublicKey, end: datetime.datetime
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(public)
        .serial_number(x509.random_serial_number())
        .not_valid_before(BEGINS)
        .not_valid_after(end)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), critical=False)
    )


def _private(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )


def _put(path: Path, data: bytes, mode: int) -> None:
    part = path.with_name(path.name + ".part")
    with contextlib.suppress(FileNotFoundError):
        part.unlink()
    with os.fdopen(os.open(part, os.O_CREAT | os.O_WRONLY | os.O_EXCL, mode), "wb") as out:
        out.write(data)
        out.flush()
        os.fsync(out.fileno())
    os.replace(part, path)


@dataclass(frozen=True)
class Certificate:
    """What a certificate says: names and addresses it is good for, and when it ends [s]."""

    names: tuple[str, ...]
    ends_s: float


def look(path: Path) -> Certificate:
    """Read a certificate. Raises InputError."""
    try:
        found = x509.load_pem_x509_certificate(path.read_bytes())
    except (OSError, ValueError) as fault:
        raise InputError(f"{path} is not a certificate that can be read ({fault}).") from fault
    try:
        names = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        listed = tuple(str(name.value) for name in names)
    except x509.ExtensionNotFound:
        listed = ()
    return Certificate(listed, found.not_valid_after_utc.timestamp())


def own_addresses() -> list[str]:
    """Return this computer's address on the local network and its name, as far as they can be found out."""
    found = []
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        # No packet is sent: connecting a datagram socket only asks which address would be used.
        probe.connect(("192.0.2.1", 9))
        found.append(str(probe.getsockname()[0]))
    name = socket.gethostname().lower()
    if name and all(c.isalnum() or c in "-." for c in name) and name.isascii():
        found += [name] if "." in name else [name, f"{name}.local"]
    return list(dict.fromkeys(found))
