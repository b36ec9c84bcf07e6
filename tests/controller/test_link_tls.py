"""The link over TLS: the right certificate is accepted, every other one refused, on both interpreters."""

from __future__ import annotations

import datetime
import getpass
import json
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from framesim.virtual_board import FirmwareProcess
from sash import reading

pytestmark = pytest.mark.system


@dataclass
class Authority:
    """A certificate authority made for one test run."""

    certificate: x509.Certificate
    key: ec.EllipticCurvePrivateKey

    def sign(self, name: str, days: int = 30) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey]:
        """A server certificate for `name`; negative days: out of date."""
        key = ec.generate_private_key(ec.SECP256R1())
        return certificate(name, key.public_key(), self.certificate.subject, self.key, days=days), key


def certificate(
    name: str, public: Any, issuer: x509.Name | None, signer: Any, days: int = 30, authority: bool = False
) -> x509.Certificate:
    """One certificate."""
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.datetime.now(datetime.UTC)
    end = now + datetime.timedelta(days=days)
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer or subject)
        .public_key(public)
        .serial_number(x509.random_serial_number())
        .not_valid_before(min(now, end) - datetime.timedelta(days=5))
        .not_valid_after(end)
        .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(name)]), critical=False)
        .sign(signer, hashes.SHA256())
    )


def make_authority(name: str) -> Authority:
    """A new authority."""
    key = ec.generate_private_key(ec.SECP256R1())
    return Authority(certificate(name, key.public_key(), None, key, authority=True), key)


def write(path: Path, *things: Any) -> Path:
    """Write certificates and keys as PEM."""
    text = b""
    for thing in things:
        if isinstance(thing, x509.Certificate):
            text += thing.public_bytes(serialization.Encoding.PEM)
        else:
            text += thing.private_bytes(
                serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
            )
    path.write_bytes(text)
    return path


AUTHORITY, STRANGER = make_authority("Invented frame authority"), make_authority("Stranger")


@pytest.fixture(params=["good", "expired", "other-name"])
def tls_broker(request: pytest.FixtureRequest, mosquitto: str, port: int, tmp_path: Path) -> Iterator[str]:
    """Mosquitto with a certificate of that kind; gives the kind."""
    name = "broker.example" if request.param != "other-name" else "other.example"
    signed, key = AUTHORITY.sign(name, days=-2 if request.param == "expired" else 30)
    config = tmp_path / "mosquitto.conf"
    certificate_file, key_file = write(tmp_path / "server.pem", signed), write(tmp_path / "server.key", key)
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\n"
        f"user {getpass.getuser()}\n"
        f"certfile {certificate_file}\nkeyfile {key_file}\n"
    )
    process = subprocess.Popen([mosquitto, "-c", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    time.sleep(0.3)
    assert process.poll() is None
    yield request.param
    process.kill()
    process.wait()


@pytest.mark.parametrize("interpreter_name", ["micropython", "cpython"])
@pytest.mark.parametrize("authority", ["right", "stranger"])
def test_only_the_right_certificate_is_accepted(
    request: pytest.FixtureRequest, tls_broker: str, port: int, tmp_path: Path, interpreter_name: str, authority: str
) -> None:
    """The link must come up with the right authority, name and date, and with nothing else; the law goes on."""
    interpreter = request.getfixturevalue("micropython") if interpreter_name == "micropython" else sys.executable
    authority_file = write(tmp_path / "ca.pem", (AUTHORITY if authority == "right" else STRANGER).certificate)
    folder = tmp_path / "north"
    folder.mkdir()
    fittings = {
        "frame": "north",
        "probes": {"air": "28"},
        "end_switches": 1,
        "travel_ms": 4000,
        "link_retry_ms": [50, 200],
        "mqtt": {"ca": str(authority_file), "name": "broker.example"},
    }
    (folder / "fittings.json").write_text(json.dumps(fittings))
    process = FirmwareProcess(folder, "127.0.0.1", port, "lockstep", interpreter)
    wanted = tls_broker == "good" and authority == "right"
    try:
        answer = process.step(5000, 1767225600, reading.Inputs())
        end = time.monotonic() + (10 if wanted else 1)
        while time.monotonic() < end and not (answer.link_up and answer.sent):
            answer = process.poll()
        assert bool(answer.link_up and answer.sent) is wanted
        assert process.step(5000, 1767225605, reading.Inputs()).next_ms > 0
    finally:
        process.kill()
