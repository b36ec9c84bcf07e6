"""What the page says about every frame: sentences first, then numbers with their ages. The worst frame first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from .. import picture, wording
from ..alarms import log, states
from ..alarms import words as alarm_words
from ..alarms.around import StoreAround
from ..context import App
from ..errors import SashkeeperError
from ..picture import Live
from ..store import Alarm, Frame
from ..tonight import look

# Values older than this are said to be old. Frames send one a minute and a report every ten.
OLD_S = 900.0
ADVICE_KEPT_S = 300.0
FRESH_S = 120.0  # an alarm's own numbers are good for that long
RANKS = ("urgent", "high", "medium", "low")
HEARD_STATES = (states.UNACKNOWLEDGED, states.ACKNOWLEDGED, states.RETURNED)
TEMPERATURES = (("air", "Inside"), ("outside", "Outside"), ("soil", "Soil"), ("air2", "Inside, second probe"))
OTHERS = (("battery", "Battery", "V"), ("wind", "Wind", "m/s"), ("humidity", "Humidity", "%"), ("light", "Light", "lx"))


@dataclass(frozen=True)
class AlarmView:
    """One alarm in words. known: somebody has said so. over_s: when it ended [s], None while it stands.

    silent_until_s: end of the silence that somebody asked for [s], None when it can be heard.
    """

    id: int
    frame: str | None
    kind: str
    priority: str
    state: str
    urgency: str
    title: str
    happened: str
    doing: str
    hands: str
    opened_s: int
    over_s: int | None
    silent_until_s: int | None = None

    @property
    def known(self) -> bool:
        """Whether there is nothing to acknowledge (any more)."""
        return self.over_s is not None or self.state not in (states.UNACKNOWLEDGED, states.RETURNED)

    @property
    def state_words(self) -> str:
        """The state in a grower's words."""
        return wording.STATE_WORDS.get(self.state, self.state)


@dataclass(frozen=True)
class Number:
    """One value as it is shown, when it was measured [s], and whether that is long ago."""

    name: str
    label: str
    text: str
    time_s: float
    old: bool


@dataclass(frozen=True)
class FrameView:
    """One frame as the page shows it. rank sorts: the worst first. mark: urgency word or "Well", "Silent"."""

    id: str
    name: str
    rank: tuple[int, int]
    tone: str
    mark: str
    headline: str
    lid: str
    lid_s: float | None
    opening: float | None
    numbers: tuple[Number, ...]
    alarms: tuple[AlarmView, ...]
    faults: tuple[str, ...]
    to_do: str
    silent: tuple[AlarmView, ...]
    advice: tuple[str, ...]
    held: bool
    held_by_order: bool
    heard_s: float | None
    here: bool | None
    crops: tuple[str, ...]


class State:
    """Gathers what is shown from the store; belongs to the page's thread."""

    def __init__(self, app: App) -> None:
        self.app = app
        self.around = StoreAround(app.store, app.config, app.home)
        self._advice: dict[str, tuple[float, dict[str, Any]]] = {}

    @property
    def now_s(self) -> float:
        """The present time [s]."""
        return self.app.clock.now_s()

    def frames(self) -> list[FrameView]:
        """Return all frames, the worst first."""
        self.app.store.forget_numbers()
        alarms, silent = self.standing(), self.silent()
        views = [self._view(f, [a for a in alarms if a.frame == f.id], [a for a in silent if a.frame == f.id])
                 for f in self.app.store.frames()]  # fmt: skip
        return sorted(views, key=lambda v: (v.rank, v.name))

    def frame(self, frame: str) -> FrameView:
        """Return one frame. Raises UnknownFrame."""
        record = self.app.store.frame(frame)
        return self._view(record, [a for a in self.standing() if a.frame == frame],
                          [a for a in self.silent() if a.frame == frame])  # fmt: skip

    def standing(self) -> list[AlarmView]:
        """Return the alarms that stand, the most urgent first, those nobody knows about before others."""
        found = [self.alarm_view(a) for a in self.app.store.alarm_list(open_only=True) if a.state in HEARD_STATES]
        return sorted(found, key=lambda a: (_rank(a.priority), HEARD_STATES.index(a.state), -a.opened_s))

    def silent(self) -> list[AlarmView]:
        """Return the alarms that somebody keeps silent for a while, the first to come back first."""
        found = [self.alarm_view(a) for a in self.app.store.alarm_list(open_only=True) if a.state == states.SHELVED]
        return sorted(found, key=lambda a: (a.silent_until_s or 0, a.id))

    def past(self, limit: int = 40, frame: str | None = None) -> list[AlarmView]:
        """Return the last alarms that are over, newest first."""
        found = self.app.store.alarm_list(limit=4 * limit, frame=frame)
        over = [self.alarm_view(a) for a in found if a.closed_s is not None][:limit]
        return [replace(a, over_s=self.app.store.alarm_ended_s(a.id) or a.over_s) for a in over]

    def alarm_view(self, alarm: Alarm) -> AlarmView:
        """Return one alarm in words: with present numbers while it stands, as it was told when it is over."""
        told = alarm.data.get("words") or ["", alarm.text, "", ""]
        words = wording.Words(*map(str, told))
        if alarm.closed_s is None and alarm.kind in alarm_words.ALERTS:
            words = alarm_words.alert(alarm.kind, self._name(alarm.frame), self._facts(alarm), alarm.priority,
                                  self.app.fahrenheit)  # fmt: skip
        urgency = wording.PRIORITY_WORDS.get(alarm.priority, "")
        title = (words.title or alarm.kind).removeprefix(f"{urgency}: ")
        return AlarmView(alarm.id, alarm.frame, alarm.kind, alarm.priority, alarm.state, urgency, title,
                         words.happened, words.doing, words.hands, alarm.opened_s, alarm.closed_s, self._silence(alarm))

    def _silence(self, alarm: Alarm) -> int | None:
        if alarm.state != states.SHELVED or alarm.closed_s is not None:
            return None
        end_s = (self.app.store.note(f"{log.PREFIX}{alarm.frame or ''}/{alarm.kind}") or {}).get("shelf_end_s")
        return None if end_s is None else int(end_s)

    def _name(self, frame: str | None) -> str:
        return self.app.store.frame(frame).name if frame and self.app.store.has_frame(frame) else ""

    def _facts(self, alarm: Alarm) -> dict[str, Any]:
        """Return an alarm's facts brought up to now; the estimate of the time left is not ours to renew."""
        facts, now_s = dict(alarm.data.get("facts") or {}), self.now_s
        since_s = now_s - alarm.opened_s
        if since_s < FRESH_S:
            return facts
        for name, unit_s in (("silent_s", 1.0), ("held_min", 60.0)):
            if isinstance(facts.get(name), int | float):
                facts[name] += since_s / unit_s
        for name in ("rate_degc_per_min", "left_min", "left_from_min", "left_to_min"):
            facts.pop(name, None)
        newest = self.app.store.latest(alarm.frame) if alarm.frame else None
        if newest is not None and "air" in newest.values and "air_degc" in facts:
            facts["air_degc"], facts["age_s"] = newest.values["air"], now_s - newest.time_s
            facts.update(self._rate(newest.frame, newest.time_s))
            limit = facts.get("limit_degc")
            if isinstance(limit, int | float) and newest.values["air"] >= limit:
                facts.update(left_min=0, left_from_min=0)
        if newest is not None and "outside" in newest.values and "outside_degc" in facts:
            facts["outside_degc"] = newest.values["outside"]
        return facts

    def _rate(self, frame: str, end_s: float) -> dict[str, float]:
        """Return the change of the air over the last ten minutes of readings, as a fact."""
        air = self.app.store.series(frame, "air", end_s - 600, end_s + 1)
        if len(air) < 5 or air[-1][0] - air[0][0] < 240:
            return {}
        rate = (air[-1][1] - air[0][1]) / (air[-1][0] - air[0][0]) * 60
        return {"rate_degc_per_min": rate} if abs(rate) >= 0.05 else {}

    def advice(self, frame: str) -> dict[str, Any]:
        """Return cover, picking and airing advice; worked out at most every five minutes."""
        now_s = self.now_s
        kept = self._advice.get(frame)
        if kept is None or not 0 <= now_s - kept[0] < ADVICE_KEPT_S:
            kept = self._advice[frame] = (now_s, look(self.app, frame, self.around, now_s, None))
        return kept[1]

    def forget_advice(self, frame: str) -> None:
        """Work advice out afresh next time, after the diary has changed."""
        self._advice.pop(frame, None)

    # -- inside ---------------------------------------------------------------------------------

    def _view(self, record: Frame, alarms: Sequence[AlarmView], silent: Sequence[AlarmView]) -> FrameView:
        now_s, live = self.now_s, picture.load(self.app.store, record.id)
        report = live.report or {}
        unheard = live.heard_s is None or now_s - live.heard_s > OLD_S or live.here is False
        faults = tuple(wording.fault_words(f) for f in report.get("faults", []))
        worst = alarms[0] if alarms else None
        order = _order_holds(self.app.store.orders(record.id, 10))
        tone, mark = _tone(worst, unheard, live.heard_s is None, bool(faults or silent))
        return FrameView(
            id=record.id,
            name=record.name,
            rank=(_rank(worst.priority) if worst else len(RANKS), 0 if faults or silent else 1 if unheard else 2),
            tone=tone,
            mark=mark,
            headline=_headline(worst, live, unheard, faults, silent),
            lid=_lid_words(live),
            lid_s=live.report_s,
            opening=_opening(live),
            numbers=tuple(self._numbers(live, now_s)),
            alarms=tuple(alarms),
            faults=faults,
            to_do=worst.hands if worst else _to_do(live, record.id, silent),
            silent=tuple(silent),
            advice=() if live.reading is None else self._advice_words(record.id),
            held=report.get("lid", {}).get("state") == "held" or report.get("reason") == "hold",
            held_by_order=order,
            heard_s=live.heard_s,
            here=live.here,
            crops=self._crops(record.id, now_s),
        )

    def _numbers(self, live: Live, now_s: float) -> list[Number]:
        if live.reading is None:
            return []
        time_s, values = live.reading.time_s, live.reading.values
        old = now_s - time_s > OLD_S
        found = [
            Number(name, label, wording.temperature_words(values[name], self.app.fahrenheit), time_s, old)
            for name, label in TEMPERATURES
            if name in values
        ]
        for name, label, unit in OTHERS:
            if name in values:
                found.append(Number(name, label, f"{values[name]:.4g} {unit}", time_s, old))
        return found

    def _advice_words(self, frame: str) -> tuple[str, ...]:
        try:
            found = self.advice(frame)
        except SashkeeperError as fault:  # a faulty crop file must not hide the frame
            return (fault.sentence,)
        return str(found["pick_words"]), str(found["cover_words"]), str(found["airing_words"])

    def _crops(self, frame: str, now_s: float) -> tuple[str, ...]:
        return tuple(self.around(frame, now_s).limits.crops)


def _rank(priority: str) -> int:
    return RANKS.index(priority) if priority in RANKS else len(RANKS)


def _tone(worst: AlarmView | None, silent: bool, never: bool, faulty: bool) -> tuple[str, str]:
    """Return the class that colours an entry, and the word that says the same."""
    if worst is not None:
        return worst.priority, worst.urgency
    if never:
        return "new", "Not heard yet"
    if silent:
        return "medium", "Silent"
    return ("medium", "Look") if faulty else ("well", "Well")


def _headline(
    worst: AlarmView | None, live: Live, unheard: bool, faults: Sequence[str], silent: Sequence[AlarmView]
) -> str:
    if worst is not None:
        # The entry stands under the frame's name, so the name need not be said again.
        rest = worst.title.split(": ", 1)[-1]
        return rest[:1].upper() + rest[1:] + "."
    if live.heard_s is None:
        return "Nothing has been heard of this frame."
    if silent:
        return f"Kept silent by you: {silent[0].title.split(': ', 1)[-1]}."
    if unheard:
        return "Nothing is heard of it at present; it goes on by itself."
    if faults:
        return faults[0][:1].upper() + faults[0][1:] + "."
    return "All is well."


def _lid_words(live: Live) -> str:
    """Return 'The lid is part open, 30 %: open because it is warm inside.'"""
    if live.report is None:
        return "Where the lid is has not been told yet."
    lid = live.report["lid"]
    state, place = lid["state"], _opening(live)
    share = f", {round(place * 100)} %" if place and state not in ("open", "shut") else ""
    if state == "stuck":
        return "The lid is stuck, so nothing moves until it is freed."
    return f"The lid is {wording.lid_state_words(state)}{share}: {wording.reason_words(live.report['reason'])}."


def _opening(live: Live) -> float | None:
    place = (live.report or {}).get("lid", {}).get("position_permille")
    return None if place is None or place < 0 else float(place) / 1000


def _to_do(live: Live, frame: str, silent: Sequence[AlarmView]) -> str:
    if silent:
        return silent[0].hands
    if live.heard_s is None:
        return f'Has its board been set up? "sashkeeper frames fittings {frame}" writes its file.'
    return "Nothing to do."


def _order_holds(orders: Sequence[Any]) -> bool:
    """Return whether the last order of its kind that was carried out was a hold."""
    for sent in orders:
        if sent.done and sent.body.get("order") in ("hold", "release", "auto"):
            return bool(sent.body["order"] == "hold")
    return False
