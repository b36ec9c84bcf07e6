"""The page as a program: on a real port, with TLS, and what it says when it cannot start."""

from __future__ import annotations

import datetime
import socket
import ssl
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

pytest.importorskip("starlette")
pytest.importorskip("argon2")

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID

from sashkeeper.context import App
from sashkeeper.errors import JobError
from sashkeeper.page import RunningPage
from sashkeeper.page.settings import PageSettings
from sashkeeper.store import Store


def certificate(folder: Path) -> None:
    """A certificate for this computer, made afresh and signed by itself."""
    import ipaddress

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "garden")])
    now = datetime.datetime.now(datetime.UTC)
    made = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
        .serial_number(1).not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=2))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), False)
        .sign(key, hashes.SHA256())
    )  # fmt: skip
    (folder / "cert.pem").write_bytes(made.public_bytes(Encoding.PEM))
    (folder / "key.pem").write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))


@pytest.fixture
def app(home: Path, store: Store) -> Iterator[App]:
    """What serve hands to the page."""
    one = App(home)
    yield one
    one.close()


def nobody(topic: str, payload: bytes, *, retain: bool) -> None:
    """No frame hears."""


def test_with_a_certificate_it_speaks_tls_only(app: App, home: Path) -> None:
    """The passphrase is set over TLS, and the cookie is bound to it."""
    certificate(home)
    page = RunningPage(app, nobody, threading.Event(), PageSettings(port=0, cert_file="cert.pem", key_file="key.pem"))
    page.start()
    try:
        assert page.url.startswith("https://")
        trust = ssl.create_default_context(cafile=str(home / "cert.pem"))
        with httpx.Client(verify=trust, trust_env=False) as client:
            both = {"passphrase": "four plain garden words", "again": "four plain garden words"}
            answer = client.post(page.url + page.first, data=both, headers={"origin": page.url})
            assert answer.headers["set-cookie"].startswith("__Host-sashkeeper=")
            assert "Secure" in answer.headers["set-cookie"]
            assert client.get(page.url + "/").status_code == 200
            with pytest.raises(httpx.HTTPError):
                client.get(page.url.replace("https", "http"))
    finally:
        page.stop()


def test_a_bad_certificate_is_one_sentence(app: App, home: Path) -> None:
    """Rubbish in the certificate's file is told before anything is started."""
    for name in ("cert.pem", "key.pem"):
        (home / name).write_text("rubbish")
    with pytest.raises(JobError, match="certificate of the page cannot be used"):
        RunningPage(app, nobody, threading.Event(), PageSettings(port=0, cert_file="cert.pem", key_file="key.pem"))


def test_a_port_that_is_taken_is_one_sentence(app: App) -> None:
    """The grower hears which port, and what to do."""
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        with pytest.raises(JobError, match=r"cannot listen on 127\.0\.0\.1:\d+.*Choose another"):
            RunningPage(app, nobody, threading.Event(), PageSettings(port=other.getsockname()[1]))


def test_it_stops_soon_though_a_page_is_open(app: App) -> None:
    """A phone that listens does not keep the keeper from ending."""
    page = RunningPage(app, nobody, threading.Event(), PageSettings(port=0))
    page.start()
    with httpx.Client(trust_env=False) as client:
        both = {"passphrase": "four plain garden words", "again": "four plain garden words"}
        client.post(page.url + page.first, data=both, headers={"origin": page.url})
        with client.stream("GET", page.url + "/news") as news:
            assert next(news.iter_lines()) == "retry: 3000"
            begun = time.monotonic()
            page.stop()
            assert time.monotonic() - begun < 6


def test_it_tells_no_version_and_takes_no_endless_header(app: App) -> None:
    """A scanner learns little, and a header without end is cut off."""
    page = RunningPage(app, nobody, threading.Event(), PageSettings(port=0))
    page.start()
    try:
        with httpx.Client(trust_env=False) as client:
            assert "server" not in client.get(page.url + "/sign-in").headers
            try:  # longer than anything that is read from a socket at once
                status = client.get(page.url + "/", headers={"x-long": "x" * 1_000_000}).status_code
            except httpx.TransportError:  # cut off before we had sent it all
                status = 400
            assert status in (400, 431)
            assert client.get(page.url + "/sign-in").status_code == 200
    finally:
        page.stop()
