"""When an update over the air may go on, and when the board restarts into it.

update_pack.py takes the pack in; this file knows the frame around it. Writing
and checking flash takes up to seconds, so nothing at all is taken in while the
lid moves or is about to. A pack is put in charge only when neither the air in
the frame nor the air outside is near frost: a start takes a while, and a frame
that starts does not shut its lid. A frame that knows no temperature waits, too.
"""

from . import reading

# chosen: nearer to frost than this no restart; a start takes well under a minute
FROST_MDEGC = 2000
QUICK_MS = 250          # pace while slices come in
QUICK_FOR_MS = 5000     # how long after the last one
ANSWER_MS = 5000        # time for the last answer to go out before the restart


def at_rest(core):
    """Return 1 when the lid neither moves nor is about to."""
    return 0 if core.motion.moving or core.motion.siren else 1


def near_frost(core):
    """Return 1 when it is cold, or when nobody knows."""
    known = 0
    for mdegc in (core.air_mdegc, core.probes.value("outside")):
        if mdegc != reading.NO_MDEGC:
            known = 1
            if mdegc < FROST_MDEGC:
                return 1
    return 0 if known else 1


class UpdateDesk:
    """place: (idle folder, install number and version of what runs, loader.file_crc). key_hex: the frame's.

    restart   1 when the shell has to restart the board now
    """

    def __init__(self, frame, key_hex, place):
        self._topic = "frames/" + frame + "/update"
        self._key_hex = key_hex
        self._folder, self._number, self._version, self._file_crc = place
        self._receiver = None  # made at the first message: it takes heap
        self._done = None      # the answer that says so
        self._quick_ms = self._done_ms = 0
        self.restart = 0

    def handle(self, payload, core, unix_s):
        """Take one message in; return the answer to it."""
        answer = self._answer(payload, core, unix_s)
        if "want" in answer or "whole" in answer:
            self._quick_ms = QUICK_FOR_MS
        answer["v"] = 1
        answer["number"], answer["version"] = self._number, self._version
        return answer

    def _answer(self, payload, core, unix_s):
        if self._done is not None:
            return dict(self._done)  # the restart is near, whatever comes
        if not at_rest(core):
            return {"refused": "moving"}
        if self._receiver is None:
            self._receiver = self._make()
        answer = self._receiver.handle(payload, 1, near_frost(core), unix_s)
        if answer.get("done"):
            self._done, self._done_ms = dict(answer), ANSWER_MS
            self._receiver = None
        return answer

    def _make(self):
        from binascii import unhexlify

        from .update_pack import Receiver

        key = unhexlify(self._key_hex)
        return Receiver(self._folder, self._topic, key, (self._number, self._version), self._file_crc)

    def pace(self, dt_ms, next_ms, core):
        """Let time pass; return the pause before the next step."""
        self._quick_ms = max(0, self._quick_ms - dt_ms)
        if self._done is not None:
            self._done_ms = max(0, self._done_ms - dt_ms)
            self.restart = 1 if self._done_ms == 0 and at_rest(core) else 0
            return min(next_ms, 1000)
        return min(next_ms, QUICK_MS) if self._quick_ms else next_ms
