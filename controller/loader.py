"""Picks which of two firmware folders runs, so that power may go at any moment of an update.

A folder counts only with a manifest that is whole and files that match it. The
manifest is written last, so an update that was cut off leaves the other folder
in charge. The newer of two whole folders wins; one that is on trial and never
ran well for long loses after three starts. Rolling back is removing the newer
manifest. Nothing here raises.

Files: a/ b/ each with sash/..., manifest.json, and trial while on trial;
service: its presence makes the next start, and only that one, stay idle.

Manifest: one line of JSON {"v": 1, "n": number, "version": "...", "files": [[path, size, CRC-32], ...]},
a line feed, and the CRC-32 of that line in eight hexadecimal digits.
"""

import json
import os
import sys

try:
    from binascii import crc32
except ImportError:  # a build without it: every folder then counts as damaged, and main.py says so
    crc32 = None

FOLDERS = ("a", "b")
MANIFEST = "manifest.json"
TRIAL = "trial"
SERVICE = "service"
TRIALS = 3
_CHUNK = 512


def file_crc(path):
    """Return (size, CRC-32) of a file, read in pieces."""
    size = crc = 0
    buffer = bytearray(_CHUNK)
    view = memoryview(buffer)
    with open(path, "rb") as file:
        while True:
            count = file.readinto(buffer)
            if not count:
                return size, crc
            crc = crc32(view[:count], crc)
            size += count


def read_manifest(folder):
    """Return the manifest of a folder, None when there is none or it is damaged."""
    try:
        with open(folder + "/" + MANIFEST, "rb") as file:
            data = file.read()
        line, _, mark = data.partition(b"\n")
        if len(mark) != 8 or int(mark, 16) != crc32(line):
            return None
        manifest = json.loads(line)
        return manifest if manifest["v"] == 1 and manifest["files"] else None
    except Exception:
        return None


def intact(folder):
    """Return the manifest when every file of the folder matches it, else None."""
    manifest = read_manifest(folder)
    if manifest is None:
        return None
    try:
        for path, size, crc in manifest["files"]:
            if file_crc(folder + "/" + path) != (size, crc):
                return None
    except Exception:
        return None
    return manifest


def failed_trials(folder):
    """Return how often a folder on trial was started without settling, -1 when it is not on trial."""
    try:
        return os.stat(folder + "/" + TRIAL)[6]
    except OSError:
        return -1


def pick(root=""):
    """Return (folder, manifest) to run, (None, None) when no folder is whole."""
    whole = []
    for name in FOLDERS:
        manifest = intact(root + name)
        if manifest is not None:
            tired = 1 if failed_trials(root + name) >= TRIALS else 0
            whole.append((tired, -manifest["n"], name, manifest))
    if not whole:
        return None, None
    # Only the first three decide; manifests cannot be compared.
    best = min(whole, key=lambda item: item[:3])
    return root + best[2], best[3]


def use(root=""):
    """Put the folder that is to run on the path, count its trial; return its name or None."""
    folder, _ = pick(root)
    if folder is None:
        return None
    if failed_trials(folder) >= 0:
        try:
            with open(folder + "/" + TRIAL, "ab") as file:
                file.write(b"x")
        except OSError:
            pass  # full or worn flash: better an uncounted start than none
    sys.path.insert(0, folder)
    return folder


def settle(folder):
    """The firmware has run well for long: its trial is over."""
    try:
        os.remove(folder + "/" + TRIAL)
    except OSError:
        pass


def service(root=""):
    """Return True, once, when the next start was asked to stay idle for somebody at the serial line."""
    try:
        os.remove(root + SERVICE)
        return True
    except OSError:
        return False
