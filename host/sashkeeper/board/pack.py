"""Sends firmware to a frame over the air; the board's side is sash/update_pack.py.

Decides only: answers in, messages out. Whoever calls publishes them, one at a
time, and asks again after a pause when no answer comes.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from typing import Any

import sash.signing
import sash.update_pack
from sashkeeper.board.image import Image

signing: Any = sash.signing  # the controller's code carries no types
SLICE_BYTES: int = sash.update_pack.SLICE_BYTES


class Sender:
    """One pack for one frame.

    topic, key   of the frame's signed envelopes
    number       install number, above that of the firmware that runs
    n            rising number of the frame's host
    """

    def __init__(self, image: Image, number: int, topic: str, key: bytes, n: int) -> None:
        manifest = image.manifest(number)
        self._stream = manifest + b"".join(data for _, data in sorted(image.files.items()))
        self._ends = [len(manifest)]
        for _, data in sorted(image.files.items()):
            self._ends.append(self._ends[-1] + len(data))
        self.pack = hashlib.sha256(manifest).hexdigest()
        self._topic, self._key = topic, key
        self._first = {"n": n, "pack": self.pack, "version": image.version, "number": number, "size": len(manifest)}
        self.done = self.whole = False
        self.refused = ""

    @property
    def total(self) -> int:
        """Bytes to be sent."""
        return len(self._stream)

    def begin(self) -> bytes:
        """Return the first message; also asks how far the board is."""
        return self._seal(self._first)

    def commit(self, expires_s: int) -> bytes:
        """Return the message that puts a whole pack in charge from the next start on."""
        return self._seal({"pack": self.pack, "commit": 1, "exp": expires_s})

    def answered(self, answer: Mapping[str, Any]) -> bytes | None:
        """Take an answer in; return the next slice, None when there is nothing to send now."""
        if "refused" in answer:
            self.refused = str(answer["refused"])
            return None
        if answer.get("pack") != self.pack:
            return None
        self.done, self.whole = bool(answer.get("done")), bool(answer.get("whole"))
        want = answer.get("want")
        if not isinstance(want, int) or not 0 <= want < self.total:
            return None
        end = next(end for end in self._ends if end > want)  # a slice never crosses into the next file
        data = self._stream[want : min(want + SLICE_BYTES, end)]
        return self._seal({"pack": self.pack, "at": want, "data": base64.b64encode(data).decode()})

    def _seal(self, body: Mapping[str, Any]) -> bytes:
        sealed: bytes = signing.seal(self._key, self._topic, dict(body))
        return sealed
