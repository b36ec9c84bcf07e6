"""Configuration for Mosquitto, the broker for more than a few frames: accounts, access rules, limits, TLS."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import os
import secrets
import shutil
import socket
import subprocess
import time
from pathlib import Path

from ..errors import InputError, JobError
from ..frames import mqtt_password
from ..store import Store
from .access import HOST_USER, mosquitto_rules
from .broker import host_password

# The passwords are 128 random bits and more, so that stretching adds nothing; this is Mosquitto's own default.
ITERATIONS = 101
FILES = ("mosquitto.conf", "passwords", "access")


def password_line(user: str, password: str, salt: bytes | None = None) -> str:
    """Return one line of a Mosquitto password file.

    Form: user:$7$iterations$salt$hash, PBKDF2 with SHA-512 and 64 bytes, salt and hash in base64.
    Source: Mosquitto 2.0, password_mosq; checked against the program itself in the tests.
    """
    salt = secrets.token_bytes(12) if salt is None else salt
    code = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, ITERATIONS, 64)
    return f"{user}:$7${ITERATIONS}${base64.b64encode(salt).decode()}${base64.b64encode(code).decode()}"


def write(
    store: Store,
    folder: Path,
    *,
    listen: str = "127.0.0.1",
    port: int = 1883,
    cert_file: str = "",
    key_file: str = "",
    overwrite: bool = False,
) -> list[Path]:
    """Write ``mosquitto.conf``, ``passwords`` and ``access`` for all registered frames; return the paths.

    Raises InputError when a file is there and overwrite is not asked for, JobError when writing fails.
    """
    paths = [folder / name for name in FILES]
    there = [str(p) for p in paths if p.exists()]
    if there and not overwrite:
        raise InputError(f"{', '.join(there)} is there already. Nothing was written. Add --overwrite to replace it.")
    frames = store.frames()
    accounts = [password_line(HOST_USER, host_password(store))]
    accounts += [password_line(f.id, mqtt_password(f)) for f in frames]
    texts = (
        _conf(folder, listen, port, cert_file, key_file),
        "\n".join(accounts) + "\n",
        mosquitto_rules([f.id for f in frames]),
    )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, text in zip(paths, texts, strict=True):
            # Made for our eyes only from the first byte on: it holds password hashes.
            with contextlib.suppress(FileNotFoundError):
                path.unlink()
            with os.fdopen(os.open(path, os.O_CREAT | os.O_WRONLY | os.O_EXCL, 0o600), "w") as out:
                out.write(text)
    except OSError as fault:
        raise JobError(f"The files in {folder} could not be written: {fault.strerror}.") from fault
    return paths


def _conf(folder: Path, listen: str, port: int, cert_file: str, key_file: str) -> str:
    tls = f"certfile {cert_file}\nkeyfile {key_file}\ntls_version tlsv1.2\n" if cert_file else ""
    return f"""# Made by Sashkeeper; make it again after adding a frame, then send Mosquitto a SIGHUP.
per_listener_settings false
listener {port} {listen}
{tls}allow_anonymous false
password_file {folder / "passwords"}
acl_file {folder / "access"}
persistence true
persistence_location {folder}/
autosave_interval 60
# The host acknowledges after storing, so it needs room for a batch in flight.
max_inflight_messages 1000
# What waits for the host while it is away: about a day of 50 frames at one message a minute.
max_queued_messages 100000
message_size_limit 16384
connection_messages true
log_dest stderr
log_type warning
log_type error
"""


class Mosquitto:
    """A Mosquitto process on files made by `write`; for tests and trials."""

    def __init__(self, folder: Path, port: int) -> None:
        self.folder, self.port = folder, port
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, wait_s: float = 10.0) -> None:
        """Start and return once it answers. Raises JobError."""
        program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
        if program is None:
            raise JobError('Mosquitto is not installed. Install the package "mosquitto" of your system.')
        conf = self.folder / "mosquitto.conf"
        if os.geteuid() == 0:
            # Started by root it would change to a user who may not read a private folder.
            conf = self.folder / "trial.conf"
            conf.write_text("user root\n" + (self.folder / "mosquitto.conf").read_text())
        with (self.folder / "mosquitto.log").open("ab") as out:
            command = [program, "-c", str(conf)]
            self._process = subprocess.Popen(command, stdout=out, stderr=out)
        end = time.monotonic() + wait_s
        while time.monotonic() < end and self._process.poll() is None:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.5):
                return
            time.sleep(0.02)
        self.stop()
        said = (self.folder / "mosquitto.log").read_text(errors="replace").strip().splitlines()
        raise JobError(f"Mosquitto does not start: {said[-1] if said else 'no message'}")

    def stop(self, kill: bool = False) -> None:
        """End it; kill: without giving it time to save."""
        if self._process is None:
            return
        if kill:
            self._process.kill()
        else:
            self._process.terminate()
        self._process.wait(10)
        self._process = None

    @property
    def pid(self) -> int:
        """The process number (0 when it does not run)."""
        return self._process.pid if self._process else 0

    def __enter__(self) -> Mosquitto:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
