"""Small records that survive a power cut at any byte.

Each record has two files, written in turn: length, sequence, data, and a
CRC-32 last that also covers the record's name. The newest valid file wins; a
write only ever touches the other one. What `save` has returned from is there
after the next start.
"""

import binascii
import json
import struct

_HEAD = "<II"
_HEAD_BYTES = 8
_CRC_BYTES = 4
_WRAP = 0xFFFFFFFF
_NAMES = (".a", ".b")


def pack(name, sequence, data):
    """Return the bytes of one slot file."""
    head = struct.pack(_HEAD, len(data), sequence)
    crc = binascii.crc32(data, binascii.crc32(head, binascii.crc32(name.encode())))
    return head + data + struct.pack("<I", crc & _WRAP)


def unpack(name, raw):
    """Return (sequence, data), or None when the bytes are not a whole record of this name."""
    if raw is None or len(raw) < _HEAD_BYTES + _CRC_BYTES:
        return None
    length, sequence = struct.unpack(_HEAD, raw[:_HEAD_BYTES])
    if length != len(raw) - _HEAD_BYTES - _CRC_BYTES:
        return None
    data = raw[_HEAD_BYTES:-_CRC_BYTES]
    return (sequence, data) if pack(name, sequence, data) == raw else None


def newer(left, right):
    """Say whether sequence `left` was written after `right`, across the wrap at 2^32."""
    return 0 < ((left - right) & _WRAP) < 0x80000000


class Slots:
    """Records by name over a storage (see board.py).

    skipped   saves left out because the same data was stored already (spares the flash)
    """

    def __init__(self, storage):
        self._storage = storage
        self._newest = {}  # name -> (which file, sequence, data)
        self.skipped = 0

    def _find(self, name):
        """Return (which file, sequence, data) of the newest valid file, or None."""
        best = None
        for which in (0, 1):
            try:
                found = unpack(name, self._storage.read(name + _NAMES[which]))
            except OSError:  # one unreadable file must not cost the other
                found = None
            if found and (best is None or newer(found[0], best[1])):
                best = (which, found[0], found[1])
        return best

    def load_bytes(self, name):
        """Return the newest valid data, or None when neither file is whole."""
        best = self._find(name)
        if best is None:
            return None
        self._newest[name] = best
        return best[2]

    def save_bytes(self, name, data):
        """Store `data`; OSError when it could not be stored or does not read back.

        After an error the record still holds what it held before.
        """
        best = self._newest.get(name) or self._find(name)
        if best is not None and best[2] == data:
            self.skipped += 1
            return
        which, sequence = (0, 1) if best is None else (1 - best[0], (best[1] + 1) & _WRAP)
        raw = pack(name, sequence, data)
        self._newest.pop(name, None)  # until it has read back, nothing is known
        self._storage.write(name + _NAMES[which], raw)
        if self._storage.read(name + _NAMES[which]) != raw:
            raise OSError("record {} does not read back as written".format(name))
        self._newest[name] = (which, sequence, data)

    def spoiled(self, name):
        """Return True when something was stored under this name and none of it is whole."""
        if self._find(name) is not None:
            return False
        for end in _NAMES:
            try:
                if self._storage.read(name + end) is not None:
                    return True
            except OSError:
                return True
        return False

    def load(self, name):
        """Return the stored dict, or None."""
        data = self.load_bytes(name)
        if data is None:
            return None
        try:
            value = json.loads(data)
        except ValueError:
            return None
        return value if isinstance(value, dict) else None

    def save(self, name, value):
        """Store a dict; OSError as `save_bytes`."""
        self.save_bytes(name, json.dumps(value, separators=(",", ":")).encode())
