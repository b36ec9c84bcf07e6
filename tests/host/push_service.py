"""A push service and a phone for tests: takes Web Push on loopback, checks its signature, really deciphers it."""

from __future__ import annotations

import base64
import json
import threading
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, HTTPServer
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat


def b64(raw: bytes) -> str:
    """base64url without padding."""
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()


def unb64(text: str) -> bytes:
    """The bytes of base64url without padding."""
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


def point(key: ec.EllipticCurvePrivateKey) -> bytes:
    """Uncompressed public point."""
    return key.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)


def decipher(body: bytes, secret: ec.EllipticCurvePrivateKey, auth: bytes) -> bytes:
    """Open an aes128gcm body of one record. Source of the steps: RFC 8291 section 3.4, RFC 8188 section 2."""
    salt, size, key_length = body[:16], int.from_bytes(body[16:20], "big"), body[20]
    sender, sealed = body[21 : 21 + key_length], body[21 + key_length :]
    assert len(sealed) <= size
    shared = secret.exchange(ec.ECDH(), ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), sender))
    info = b"WebPush: info\0" + point(secret) + sender
    keying = HKDF(hashes.SHA256(), 32, auth, info).derive(shared)
    key = HKDF(hashes.SHA256(), 16, salt, b"Content-Encoding: aes128gcm\0").derive(keying)
    nonce = HKDF(hashes.SHA256(), 12, salt, b"Content-Encoding: nonce\0").derive(keying)
    plain = AESGCM(key).decrypt(nonce, sealed, None)
    return plain[: plain.rindex(b"\x02")]  # the last record ends with 2 and zeros


def read_token(authorization: str) -> tuple[dict[str, Any], dict[str, Any], bytes]:
    """Header, claims and public key of a VAPID header whose signature holds; raises InvalidSignature."""
    kind, rest = authorization.split(" ", 1)
    assert kind.lower() == "vapid"
    parts = dict(part.strip().split("=", 1) for part in rest.split(","))
    head, claims, signature = parts["t"].split(".")
    key = unb64(parts["k"])
    raw = unb64(signature)
    der = encode_dss_signature(int.from_bytes(raw[:32], "big"), int.from_bytes(raw[32:], "big"))
    public = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), key)
    public.verify(der, f"{head}.{claims}".encode(), ec.ECDSA(hashes.SHA256()))
    return json.loads(unb64(head)), json.loads(unb64(claims)), key


@dataclass
class Pushed:
    """One request that arrived."""

    path: str
    headers: dict[str, str]
    body: bytes


@dataclass
class Phone:
    """A subscribed browser."""

    path: str
    secret: ec.EllipticCurvePrivateKey = field(default_factory=lambda: ec.generate_private_key(ec.SECP256R1()))
    auth: bytes = b"0123456789abcdef"

    def subscription(self, url: str) -> dict[str, Any]:
        """What the browser hands to the page."""
        return {"endpoint": url + self.path, "expirationTime": None,
                "keys": {"p256dh": b64(point(self.secret)), "auth": b64(self.auth)}}  # fmt: skip

    def read(self, pushed: Pushed) -> dict[str, Any]:
        """Decipher and parse one message."""
        return dict(json.loads(decipher(pushed.body, self.secret, self.auth)))


class PushService:
    """Takes pushes; `status` by path says how it answers (201 unless told otherwise)."""

    def __init__(self) -> None:
        self.heard: list[Pushed] = []
        self.status: dict[str, int] = {}
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["content-length"]))
                outer.heard.append(Pushed(self.path, {k.lower(): v for k, v in self.headers.items()}, body))
                self.send_response(outer.status.get(self.path, 201))
                self.send_header("location", outer.url + "/elsewhere")
                self.send_header("content-length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Say nothing."""

        self._server = HTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_port}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End it."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)


__all__ = ["InvalidSignature", "Phone", "PushService", "Pushed", "b64", "decipher", "point", "read_token", "unb64"]
