"""Carries a firmware pack to a frame over the broker: asks, sends slice after slice, waits for a good moment.

pack.py decides what comes next; here is the time around it. An update can end
in six ways: 1 the frame starts the new firmware, 2 it runs that version already,
3 it refuses for good, 4 it refuses until the moment is better and patience ends,
5 it falls silent, 6 the broker does.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Protocol

from sashkeeper.board.image import Image
from sashkeeper.board.install import version_key
from sashkeeper.board.pack import Sender
from sashkeeper.errors import JobError
from sashkeeper.wire.bus import Bus
from sashkeeper.wire.messages import Refused, decode_update_answer
from sashkeeper.wording import update_refused_words

# All chosen.
ANSWER_S = 15.0  # a board looks into its inbox at least every five seconds
TRIES = 6
WAIT_AGAIN_S = 20.0
COMMIT_LIFE_S = 60
# Words that pass by themselves: what to wait for.
PASSING = {"moving": "the lid to come to rest", "frost": "air that is not near frost", "clock": "the frame's clock"}

Told = Callable[[str], None]


class Line(Protocol):
    """A connection to one frame."""

    def send(self, payload: bytes) -> None:
        """Publish an update message."""
        ...

    def answer(self, wait_s: float) -> bytes | None:
        """Return the next answer, None when none came in time."""
        ...


@dataclass
class Outcome:
    """What became of an update: version that is now in charge, messages sent, seconds taken."""

    version: str
    messages: int
    seconds: float
    had_it: bool = False


class Update:
    """One update of one frame. now_s, monotonic, sleep: clocks, given by tests."""

    def __init__(
        self,
        line: Line,
        image: Image,
        topic: str,
        key: bytes,
        n: int,
        told: Told = lambda _: None,
        *,
        patience_s: float = 600.0,
        now_s: Callable[[], float] = time.time,
        monotonic: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
        answer_s: float = ANSWER_S,
    ) -> None:
        self._line, self._image, self._topic, self._key, self._n = line, image, topic, key, n
        self._told, self._patience_s = told, patience_s
        self._now_s, self._monotonic, self._sleep, self._answer_s = now_s, monotonic, sleep, answer_s
        self._sent = 0

    def run(self) -> Outcome:
        """Send until the frame has it. Raises JobError with what to do."""
        began = self._monotonic()
        sender, answer = self._open()
        if sender is None:
            return Outcome(self._image.version, self._sent, self._monotonic() - began, had_it=True)
        answer = self._slices(sender, answer)
        self._commit(sender)
        return Outcome(self._image.version, self._sent, self._monotonic() - began)

    def _open(self) -> tuple[Sender | None, dict[str, Any]]:
        """Find out what runs and begin above it; None when it is what we have."""
        sender = Sender(self._image, 1, self._topic, self._key, self._n)
        answer = self._patiently(sender.begin)
        number, running = int(answer["number"]), str(answer["version"])
        if running == self._image.version:
            return None, answer
        if version_key(running) > version_key(self._image.version):
            raise JobError(
                f"The frame runs firmware {running}, which is newer than ours ({self._image.version}). Nothing was "
                "changed. Update sashkeeper; older firmware goes on by cable only."
            )
        self._told(f"The frame runs {running}; sending {self._image.version}.")
        sender = Sender(self._image, number + 1, self._topic, self._key, self._n)
        return sender, self._good(self._patiently(sender.begin))

    def _slices(self, sender: Sender, answer: dict[str, Any]) -> dict[str, Any]:
        tenth = 0
        while not answer.get("whole") and not answer.get("done"):
            message = sender.answered(answer)
            if message is None:
                raise JobError("The frame answers in a way that makes no sense. Nothing was changed. Try again.")
            part = 10 * int(answer["want"]) // sender.total
            if part > tenth:
                tenth = part
                self._told(f"{tenth * 10} % sent.")
            answer = self._good(self._patiently(partial(bytes, message)))
            if "want" not in answer and not answer.get("whole"):
                answer = self._good(self._patiently(sender.begin))
        return answer

    def _commit(self, sender: Sender) -> None:
        answer = self._patiently(lambda: sender.commit(int(self._now_s()) + COMMIT_LIFE_S))
        if answer.get("refused") in ("unknown", "older"):
            # The answer to an earlier try was lost and the board has restarted: what runs tells.
            answer = self._patiently(sender.begin)
            if answer["version"] == self._image.version:
                return
        if answer.get("refused") == "damaged":
            raise JobError(
                "A file did not arrive whole, or the board's flash is worn. The old firmware goes on. "
                "Run the command again; if that happens twice, use the cable."
            )
        self._good(answer)

    def _good(self, answer: dict[str, Any]) -> dict[str, Any]:
        if "refused" in answer:
            raise JobError(f"{update_refused_words(str(answer['refused']))} The frame goes on with what it had.")
        return answer

    def _patiently(self, message: Callable[[], bytes]) -> dict[str, Any]:
        """Send until an answer comes that does not ask to wait."""
        end = self._monotonic() + self._patience_s
        waited_for = ""
        while True:
            answer = self._ask(message)
            word = str(answer.get("refused", ""))
            if word not in PASSING:
                return answer
            if self._monotonic() >= end:
                raise JobError(
                    f"{update_refused_words(word)} The frame goes on with what it had; what was sent is kept. "
                    "Run the command again later, best around noon."
                )
            if word != waited_for:
                waited_for = word
                self._told(f"Waiting for {PASSING[word]}.")
            self._sleep(min(WAIT_AGAIN_S, max(0.0, end - self._monotonic())))

    def _ask(self, message: Callable[[], bytes]) -> dict[str, Any]:
        for _ in range(TRIES):
            self._line.send(message())
            self._sent += 1
            payload = self._line.answer(self._answer_s)
            answer = None if payload is None else self._read(payload)
            if answer is not None:
                return answer
        raise JobError(
            "The frame does not answer. Is it on, and does its firmware take updates over the air (0.1.0 and newer, "
            "put on by cable once)? With Mosquitto, write its access rules again first. What was sent is kept."
        )

    @staticmethod
    def _read(payload: bytes) -> dict[str, Any] | None:
        try:
            return decode_update_answer(payload)
        except Refused:
            return None


def next_n(data: Mapping[str, Any], now_s: float) -> int:
    """Return the number of the next pack: rising, also when the clock went back."""
    return max(int(data.get("update_n", 0)) + 1, int(now_s))


class BusLine:
    """A line over the host's own connection; also what that connection feeds."""

    def __init__(self, bus: Bus, topic: str) -> None:
        self._bus, self._topic = bus, topic
        self._answers: list[bytes] = []

    def send(self, payload: bytes) -> None:
        """Publish; answers to what was sent before no longer count."""
        self._answers.clear()
        self._bus.publish(self._topic, payload, retain=False)

    def answer(self, wait_s: float) -> bytes | None:
        """Wait for the next answer."""
        self._bus.pump(lambda: bool(self._answers), wait_s, self)
        if not self._bus.connected:
            raise JobError("The broker has gone. What was sent is kept at the frame. Run the command again.")
        return self._answers.pop(0) if self._answers else None

    def take(self, topic: str, payload: bytes, received_s: float | None = None, retained: bool = False) -> None:
        """Take a message in."""
        if topic == self._topic + "/answer" and not retained:
            self._answers.append(payload)

    def flush(self) -> int:
        """Nothing to store."""
        return 0

    def tick(self) -> None:
        """Nothing to do."""

    def on_connect(self) -> None:
        """Nothing to do."""

    def link(self, connected: bool) -> None:
        """Nothing to do."""
