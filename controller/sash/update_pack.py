"""New firmware over the air: taken in slices, in order, into the idle folder; never run before it is whole.

Every message is a signed envelope (signing.py) of one of three kinds:

begin   {"n", "pack", "version", "number", "size"}   pack = SHA-256 of the manifest in hex, size = its bytes
slice   {"pack", "at", "data"}                       data in base64, at = place in manifest + files, end to end
commit  {"pack", "commit": 1, "exp"}                 only with the lid at rest, no frost, a set clock

The manifest comes first, then the files in its order (loader.py says what it
holds). The answer always says how far we are, so a sender resumes by asking.
Files on the flash are the only memory of the progress: a power cut loses a
slice at most. The last step renames the manifest into place.

Answers: {"pack", "want"} go on there; {"pack", "whole": 1} all is here;
{"pack", "done": 1} the next start runs it; {"refused": word} with a word of REFUSED.
"""

import binascii
import hashlib
import json
import os

from .signing import open_envelope

REFUSED = (
    "size", "json", "form", "mac",  # as signing.py
    "older", "replayed", "unknown", "damaged", "unfinished", "moving", "frost", "clock", "expired", "flash",
)  # fmt: skip
SLICE_BYTES = 900  # chosen: with base64 and its envelope below signing.MAX_BYTES
MANIFEST_BYTES = 8192  # chosen
MOST_BYTES = 400_000  # chosen: two of these and the journal fit 1 MB of flash
_STATE, _PART, _MANIFEST, _TRIAL = "/incoming.json", "/manifest.part", "/manifest.json", "/trial"
_LETTERS = "abcdefghijklmnopqrstuvwxyz0123456789_./"


class Refused(Exception):
    """Carries one word of REFUSED."""


def version_key(version):
    """Order of versions like 0.10.2; Refused "form" when it is none."""
    try:
        return tuple([int(part) for part in version.split(".")])
    except (ValueError, AttributeError):
        raise Refused("form")


class Receiver:
    """folder: the idle one. running: (install number, version) of the firmware that runs.

    file_crc   loader.file_crc: path -> (size, CRC-32)
    """

    def __init__(self, folder, topic, key, running, file_crc):
        self._folder, self._topic, self._key = folder, topic, key
        self._number, self._version = running
        self._file_crc = file_crc
        self._begun = self._load()
        self._files = None  # [(path, size, crc, place at which it begins)] once the manifest is here
        self._total = 0
        try:
            self._read_manifest()
        except (Refused, OSError):
            self._begun = None  # nothing to go on with: the next begin starts anew

    # -- messages ------------------------------------------------------------------------

    def handle(self, payload, at_rest, freezing, unix_s):
        """Take one message in; return the answer. at_rest, freezing: 1 or 0; unix_s: -1 while the clock is unset."""
        try:
            body = open_envelope(self._key, self._topic, payload)
        except ValueError as error:
            return {"refused": str(error)}
        try:
            if "commit" in body:
                return self._commit(body, at_rest, freezing, unix_s)
            if "data" in body:
                return self._slice(body)
            return self._begin(body)
        except Refused as refusal:
            return {"refused": str(refusal)}
        except OSError:
            return {"refused": "flash"}

    def _begin(self, body):
        number, version = _whole(body, "number"), body.get("version")
        n, size, pack = _whole(body, "n"), _whole(body, "size"), body.get("pack")
        if not isinstance(pack, str) or len(pack) != 64 or not 10 < size <= MANIFEST_BYTES:
            raise Refused("form")
        if number <= self._number or version_key(version) < version_key(self._version):
            raise Refused("older")
        if self._begun is not None and self._begun["pack"] == pack:
            return self._want()
        if self._begun is not None and n <= self._begun["n"]:
            raise Refused("replayed")
        self._forget()
        self._begun = {"n": n, "pack": pack, "version": version, "number": number, "size": size}
        _write(self._folder + _STATE, json.dumps(self._begun).encode())
        return self._want()

    def _slice(self, body):
        self._same(body)
        at = _whole(body, "at")
        try:
            data = binascii.a2b_base64(body["data"])
        except Exception:  # each interpreter has its own
            raise Refused("form")
        if not 0 < len(data) <= SLICE_BYTES:
            raise Refused("form")
        if at != self._position():
            return self._want()  # out of order: say where we are
        path, room = self._target(at)
        if len(data) > room:
            raise Refused("form")
        with open(path, "ab") as file:
            file.write(data)
        if len(data) == room:
            self._closed(path)
        return self._want()

    def _commit(self, body, at_rest, freezing, unix_s):
        self._same(body)
        if unix_s < 0:
            raise Refused("clock")
        if _whole(body, "exp") <= unix_s:
            raise Refused("expired")
        if not at_rest:
            raise Refused("moving")
        if freezing:
            raise Refused("frost")
        if self._position() < self._total or not self._files:
            raise Refused("unfinished")
        for path, size, crc, _ in self._files:
            if self._file_crc(self._folder + "/" + path) != (size, crc):
                _remove(self._folder + "/" + path)
                raise Refused("damaged")
        _write(self._folder + _TRIAL, b"")
        os.rename(self._folder + _PART, self._folder + _MANIFEST)  # from here on it is in charge
        _remove(self._folder + _STATE)
        pack, self._begun, self._files = self._begun["pack"], None, None
        return {"pack": pack, "done": 1}

    def _same(self, body):
        if self._begun is None or body.get("pack") != self._begun["pack"]:
            raise Refused("unknown")

    def _want(self):
        position = self._position()
        if self._files and position == self._total:
            return {"pack": self._begun["pack"], "whole": 1}
        return {"pack": self._begun["pack"], "want": position}

    # -- progress ------------------------------------------------------------------------

    def _position(self):
        """Return how many bytes are here, counted from the flash."""
        if self._files is None:
            return _size(self._folder + _PART)
        for path, size, _, begins in self._files:
            have = _size(self._folder + "/" + path)
            if have < size:
                return begins + have
        return self._total

    def _target(self, at):
        """Return (file, room left in it) for the place `at`."""
        if self._files is None:
            return self._folder + _PART, self._begun["size"] - at
        for path, size, _, begins in self._files:
            if begins <= at < begins + size:
                _make_folders(self._folder, path)
                return self._folder + "/" + path, begins + size - at
        raise Refused("form")

    def _closed(self, path):
        """A file is complete; the manifest tells what comes next."""
        if self._files is None:
            self._read_manifest()
            if self._files is None:
                _remove(path)
                raise Refused("damaged")

    def _read_manifest(self):
        """Take the manifest in when it is here and is the one that was announced."""
        if self._begun is None:
            return
        try:
            with open(self._folder + _PART, "rb") as file:
                data = file.read(MANIFEST_BYTES + 1)
        except OSError:
            return
        if len(data) != self._begun["size"]:
            return
        if binascii.hexlify(hashlib.sha256(data).digest()).decode() != self._begun["pack"]:
            _remove(self._folder + _PART)
            return
        self._take_files(data)
        if not self._begun.get("cleared"):
            self._clear()
            self._begun["cleared"] = 1
            _write(self._folder + _STATE, json.dumps(self._begun).encode())

    def _take_files(self, data):
        try:
            manifest = json.loads(data.split(b"\n")[0])
            if manifest["n"] != self._begun["number"] or manifest["version"] != self._begun["version"]:
                raise Refused("form")
            files, begins = [], len(data)
            for path, size, crc in manifest["files"]:
                _check_path(path)
                if not isinstance(size, int) or not isinstance(crc, int) or size < 0:
                    raise Refused("form")
                files.append((path, size, crc, begins))
                begins += size
            if begins > MOST_BYTES:
                raise Refused("form")
        except (ValueError, KeyError, TypeError):
            raise Refused("form")
        self._files, self._total = files, begins

    def _clear(self):
        """Files of an earlier firmware in this folder would count as progress: remove them."""
        for path, _, _, _ in self._files:
            _remove(self._folder + "/" + path)
            _make_folders(self._folder, path)
        for path, size, _, _ in self._files:
            if not size:
                _write(self._folder + "/" + path, b"")

    def _forget(self):
        """Make the folder one that cannot be picked, and drop what an earlier pack left."""
        _make_folders(self._folder, "x")
        for name in (_MANIFEST, _STATE, _PART):
            _remove(self._folder + name)
        self._files, self._total = None, 0

    def _load(self):
        try:
            with open(self._folder + _STATE, "rb") as file:
                begun = json.loads(file.read())
            return begun if len(begun["pack"]) == 64 and begun["n"] >= 0 and begun["size"] > 0 else None
        except (OSError, ValueError, KeyError, TypeError):
            return None


def _whole(body, name):
    value = body.get(name)
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < 1 << 40:
        raise Refused("form")
    return value


def _check_path(path):
    """Only modules of the firmware, nothing that leads out of the folder."""
    good = isinstance(path, str) and path.startswith("sash/") and len(path) < 64 and ".." not in path
    if not good or not (path.endswith(".mpy") or path.endswith(".py")):
        raise Refused("form")
    for letter in path:
        if letter not in _LETTERS:
            raise Refused("form")


def _make_folders(folder, path):
    parts = path.split("/")[:-1]
    for depth in range(len(parts) + 1):
        try:
            os.mkdir("/".join([folder] + parts[:depth]))
        except OSError:
            pass  # there already


def _size(path):
    try:
        return os.stat(path)[6]
    except OSError:
        return 0


def _write(path, data):
    with open(path, "wb") as file:
        file.write(data)


def _remove(path):
    try:
        os.remove(path)
    except OSError:
        pass  # not there
