"""Checks the firmware's own files against their manifest while it runs, one slice a call.

The loader does this once at every start; a flash that loses bits between two
starts a winter apart is found here, within the hour. A checksum finds
accidents, not attackers.
"""

from binascii import crc32

SLICE = 512     # bytes a step: 150 kB are through in half an hour of five-second steps


class FileRounds:
    """Goes round the files for ever.

    folder  where the files lie, "" for the board's root
    files   the manifest's list of (path, size, CRC-32)
    rounds  how often all of them were found whole
    """

    def __init__(self, folder, files):
        self._folder = folder
        self._files = files
        self._number = 0
        self._at = 0
        self._crc = 0
        self._buffer = bytearray(SLICE)
        self.rounds = 0

    def __repr__(self):
        return "<FileRounds %d, file %d of %d at %d>" % (self.rounds, self._number + 1, len(self._files), self._at)

    def step(self):
        """Look at one slice; returns the path of a file that differs, else nothing."""
        if not self._files:
            return ""
        path, size, crc = self._files[self._number]
        try:
            count = self._read(path)
        except OSError:
            self._next()
            return path
        self._crc = crc32(memoryview(self._buffer)[:count], self._crc)
        self._at += count
        if count == SLICE and self._at <= size:
            return ""
        differs = self._at != size or self._crc != crc
        self._next()
        return path if differs else ""

    def _read(self, path):
        with open(self._folder + "/" + path if self._folder else path, "rb") as file:
            file.seek(self._at)
            return file.readinto(self._buffer)

    def _next(self):
        self._at = 0
        self._crc = 0
        self._number += 1
        if self._number >= len(self._files):
            self._number = 0
            self.rounds += 1
