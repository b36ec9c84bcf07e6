"""The evening's advice to cover: one message a household, and only when something has changed.

It is advice, not an alarm: nothing has happened yet. Once told it stands, night after night, until the message that it
is over; saying the same every evening would only teach people not to read. While it stands, the alarm
"frost-danger" is silent by design (mode "cover-advised" in the log), because it would ask for the same at 2 in
the morning. "frost-damage" rings all the same.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import astuple
from typing import Any

from .. import advice, wording
from ..store import Store
from .picture import Around

MODE = "cover-advised"
NOTE = "evening-advice"
DAY_S = 86_400.0
# So far above the crop's limit [K] the coldest likely leaf must stay before a standing advice ends (chosen).
EASY_K = 1.5
AGAIN_DAYS = 7  # a standing advice is said again after a week, in case somebody has forgotten (chosen)
NONE, COVER, PICK = "no-cover", "cover", "cover-and-pick"
_RANK = {NONE: 0, COVER: 1, PICK: 2}


class Evening:
    """What is advised for each frame; kept in the store, so that a restart neither repeats nor forgets."""

    def __init__(self, store: Store, around: Callable[[str, float], Around], fahrenheit: bool = False) -> None:
        self._store, self._around, self._fahrenheit = store, around, fahrenheit
        kept = store.note(NOTE, {})
        self._day: int | None = kept.get("day")
        # frame -> {"verdict", "day" it was told}
        self._stands: dict[str, dict[str, Any]] = kept.get("stands", {})

    def __repr__(self) -> str:
        return f"<Evening {self._day}, {self._stands}>"

    def advised(self, frame: str) -> bool:
        """True while the advice to cover stands for a frame."""
        return frame in self._stands

    def due(self, local_s: float, at_min: int | None) -> bool:
        """True once a day, from `at_min` minutes after local midnight on. A first start waits for it too."""
        day, minute = int(local_s // DAY_S), (local_s % DAY_S) / 60.0
        return at_min is not None and minute >= at_min and (self._day is None or day > self._day)

    def look(self, now_s: float, local_s: float, outside: Callable[[str], float | None]) -> wording.Words | None:
        """Work out the night of every frame, keep it, and return the message; None when nothing has changed.

        outside: fresh outside temperature of a frame [degC]. Call inside the transaction that writes the message.
        """
        day = int(local_s // DAY_S)
        lines, stands = [], {}
        for frame in self._store.frames():
            around = self._around(frame.id, now_s)
            if around.storage:
                continue
            verdict, words = self._frame(frame.id, around, now_s, outside(frame.id))
            before = self._stands.get(frame.id, {"verdict": NONE, "day": day})
            covered = bool(self._store.diary(frame.id, now_s - local_s % DAY_S + DAY_S / 2, now_s + 1, kind="covered"))
            # Once picking was advised it stays so until the spell is over: from worse to bad is no news.
            verdict = before["verdict"] if 0 < _RANK[verdict] < _RANK[before["verdict"]] else verdict
            changed = verdict != before["verdict"] or (verdict != NONE and day - before["day"] >= AGAIN_DAYS)
            known = covered and verdict == COVER  # it is done already: nothing to say
            if changed and not known:
                lines.append((-_RANK[verdict], around.name, words))
            if verdict != NONE:
                stands[frame.id] = {"verdict": verdict, "day": day if changed else before["day"]}
        self._day, self._stands = day, stands
        self._store.note_set(NOTE, {"day": day, "stands": stands})
        lines.sort()
        covers = [name for rank, name, _ in lines if rank]
        picks = any(-rank == _RANK[PICK] for rank, _, _ in lines)
        return wording.evening([(name, words) for _, name, words in lines], covers, picks) if lines else None

    def _frame(self, frame: str, around: Around, now_s: float, outside: float | None) -> tuple[str, str]:
        """Return the verdict about the coming night and its sentences."""
        limits = around.limits
        nights = advice.past_nights(self._store, frame, now_s) if limits.frost_damage_degc is not None else []
        night = advice.cover_tonight(nights, outside, limits.frost_damage_degc)
        verdict = NONE if night.verdict == "unknown" else night.verdict
        before = self._stands.get(frame, {}).get("verdict", NONE)
        # What stands ends only with room to spare.
        if verdict == NONE != before and _near(night):
            verdict = COVER
        words = wording.cover_words(
            verdict if night.bare is not None else "unknown",
            None if night.bare is None else astuple(night.bare),
            None if night.covered is None else astuple(night.covered),
            night.damage_degc, limits.frost_crop or "the tightest crop", night.nights, night.by_forecast,
            self._fahrenheit,
        )  # fmt: skip
        return verdict, words


def _near(night: advice.CoverAdvice) -> bool:
    if night.bare is None or night.damage_degc is None:
        return False
    return night.bare.low <= night.damage_degc + EASY_K
