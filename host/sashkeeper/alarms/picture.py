"""What is known about one frame right now, and the record that grows with each message.

`Picture` is a frozen snapshot that evidence.py looks at. `LiveFrame` is what messages change: no database
is read on the way from a message to an alarm. All times are Unix seconds, temperatures degrees Celsius.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from .time_left import Rate, rate_of

SERIES_S = 3600.0  # how much air temperature is kept for rates; one hour covers the slowest rule
# Play in the arm, and how near a drive by time counts as arrived; less than the narrowest crack (chosen).
PLAY_PERMILLE = 25
OLD_EVENT_S = 600.0
KEPT_RESETS = 50
# Only these words of the frame end a drive well. Its position does not: by time, a lid that never left its rim is
# soon "there" when it was to open a crack.
ARRIVED = ("open", "part", "shut")
PLANNED_RESETS = ("power", "order", "update", "soft")  # causes of a restart that somebody wanted, or the first


@dataclass(frozen=True)
class Limits:
    """What the crops of a frame stand; made from the crop table by the caller.

    heat_high_degc     soft growth and bolting above; 29 is the growing class of the crop table
    heat_urgent_degc   leaves are hurt above; 38 hurts any crop (guide value)
    frost_damage_degc  leaf damage at this air temperature as hardened now; None: nothing planted
    heat_crop, frost_crop  the crop that sets the limit, for the message
    """

    heat_high_degc: float = 29.0
    heat_urgent_degc: float = 38.0
    frost_damage_degc: float | None = None
    heat_crop: str = ""
    frost_crop: str = ""
    crops: tuple[str, ...] = ()


@dataclass(frozen=True)
class Around:
    """What the frame's messages do not say: its name, its crops, the sun, the season."""

    name: str = ""
    limits: Limits = Limits()
    sun_height_deg: float | None = None
    storage: bool = False  # winter storage: nothing grows, nobody wants to be rung
    dull_sky: bool | None = None  # True when a neighbouring frame says so; asked for once a frame is silent


@dataclass(frozen=True)
class Picture:
    """One frame at one moment."""

    frame: str
    now_s: float
    around: Around = Around()
    here: bool | None = None  # the broker's word: connected or gone
    here_s: float | None = None
    heard_s: float | None = None
    values: Mapping[str, float] = field(default_factory=dict)  # SenML names: air, outside, lid, battery ...
    values_s: float | None = None
    air: Sequence[tuple[float, float]] = ()  # (time_s, degc), oldest first
    position_permille: int | None = None
    target_permille: int | None = None
    drive_way: int = 0  # which way the last drive went that has not arrived: 1 opening, -1 shutting, 0 none
    rested: str = ""  # which of ARRIVED the lid was in last
    apart_s: float | None = None  # since when target and position differ
    lid_state: str = "unknown"
    moved_s: float | None = None  # end of the last move
    reason: str = ""
    lockouts: tuple[str, ...] = ()
    mode: str = "auto"
    faults: frozenset[str] = frozenset()
    refused: str = ""
    settings: Mapping[str, int] = field(default_factory=dict)
    hold_s: float | None = None  # since when the hold switch is on
    resets_s: tuple[float, ...] = ()
    travel_s: float = 40.0
    _rates: dict[float, Rate | None] = field(default_factory=dict, compare=False, repr=False)

    def rate(self, window_s: float = 600.0) -> Rate | None:
        """How fast the air has warmed over the last `window_s`, worked out once; None with too little to go by."""
        if window_s not in self._rates:
            self._rates[window_s] = rate_of(self.air, self.now_s, window_s)
        return self._rates[window_s]

    @property
    def air_degc(self) -> float | None:
        """Air at the plants, the warmer probe by day matters little; the first probe leads."""
        return self.values.get("air", self.values.get("air2"))

    def setting_degc(self, name: str, default_mdegc: int) -> float:
        """A temperature setting in degrees, or the built-in one when the frame's are not known."""
        return self.settings.get(name, default_mdegc) / 1000.0


def way_of(move: Mapping[str, Any]) -> int:
    """Return which way a "move" event drives: 1 opening, -1 shutting. From an unknown place the frame seeks an end."""
    start, goal = int(move.get("from_permille", -1)), int(move.get("to_permille", -1))
    if start < 0:
        return 1 if goal >= 500 else -1
    return 1 if goal > start or goal >= 1000 else -1


class LiveFrame:
    """The growing record of one frame; every method takes what a message said and when it came."""

    def __init__(self, frame: str, travel_s: float = 40.0) -> None:
        self.frame = frame
        self.travel_s = travel_s
        self.here: bool | None = None
        self.here_s: float | None = None
        self.heard_s: float | None = None
        self.values: dict[str, float] = {}
        self.values_s: float | None = None
        self.air: deque[tuple[float, float]] = deque()
        self.position: int | None = None
        self.target: int | None = None
        self.drive_way = 0
        self.rested = ""
        self.apart_s: float | None = None
        self.lid_state = "unknown"
        self.moved_s: float | None = None
        self.reason = ""
        self.lockouts: tuple[str, ...] = ()
        self.mode = "auto"
        self.faults: set[str] = set()
        self.refused = ""
        self.settings: dict[str, int] = {}
        self.hold_s: float | None = None
        self.resets: dict[int, float] = {}  # boot -> when: heard twice, a start is still one start

    def __repr__(self) -> str:
        air = self.values.get("air")
        return f"<LiveFrame {self.frame} {self.lid_state} {self.position} air {air} faults {sorted(self.faults)}>"

    def hear_readings(self, time_s: float, values: Mapping[str, float], received_s: float) -> None:
        """Take one pack of readings; an old pack from the journal fills the series, not the picture."""
        self._heard(received_s)
        if "air" in values or "air2" in values:
            self._keep_air(time_s, values.get("air", values.get("air2", 0.0)))
        if self.values_s is not None and time_s < self.values_s:
            return
        self.values, self.values_s = dict(values), time_s
        if "lid" in values:
            self.position = round(values["lid"] * 1000)
        if "target" in values:
            self.target = round(values["target"] * 1000)
        self._compare(time_s)

    def hear_report(self, report: Mapping[str, Any], received_s: float, retained: bool = False) -> None:
        """Take the frame's own report; one that the broker merely kept is no sign of life."""
        if not retained:
            self._heard(received_s)
        lid = report.get("lid", {})
        self.position = lid.get("position_permille", self.position)
        self.target = lid.get("target_permille", self.target)
        state = lid.get("state", self.lid_state)
        if state != self.lid_state and state in ARRIVED and self.lid_state in ("opening", "shutting"):
            self.moved_s = received_s
        self.lid_state = state
        if state in ARRIVED:
            self.drive_way, self.rested = 0, state
        self.reason = report.get("reason", self.reason)
        self.lockouts = tuple(report.get("lockouts", self.lockouts))
        self.mode = report.get("mode", self.mode)
        self.faults = set(report.get("faults", self.faults))
        if self.mode == "hold" and self.hold_s is None:
            self.hold_s = received_s
        elif self.mode != "hold":
            self.hold_s = None
        self._compare(received_s)

    def hear_event(self, event: Mapping[str, Any], received_s: float) -> None:
        """Take one event; `time_s` of the event counts where the frame has a clock."""
        self._heard(received_s)
        time_s = event.get("time_s")
        when = received_s if time_s is None else min(float(time_s), received_s)
        kind = event.get("kind")
        if when < received_s - OLD_EVENT_S:
            return  # out of the journal: what still holds is in the frame's report
        if kind == "fault":
            self.faults.add(str(event.get("fault")))
        elif kind == "cleared":
            self.faults.discard(str(event.get("fault")))
        elif kind == "move":
            self.target, self.lid_state = event.get("to_permille", self.target), "moving"
            self.drive_way = way_of(event)
            self._compare(when)
        elif kind == "moved":
            self.position, self.moved_s = event.get("position_permille", self.position), when
            self._compare(when)
        elif kind == "hold":
            self.hold_s = when if event.get("on") else None
        elif kind == "refused":
            if str(event.get("what", "")).startswith("settings"):
                self.refused = str(event.get("why", ""))
        elif kind == "settings":
            self.refused = ""
        elif kind == "reset" and event.get("cause") not in PLANNED_RESETS:
            self.resets.setdefault(int(event.get("boot", -1)), when)
            while len(self.resets) > KEPT_RESETS:
                del self.resets[next(iter(self.resets))]

    def hear_presence(self, here: bool, received_s: float, retained: bool = False) -> None:
        """Take the broker's word that the frame is connected or gone."""
        if here and not retained:
            self._heard(received_s)
        if here != self.here:
            self.here, self.here_s = here, received_s

    def hear_actual(self, actual: Mapping[str, Any], received_s: float, retained: bool = False) -> None:
        """Take the settings that the frame really uses, and what it last refused."""
        if not retained:
            self._heard(received_s)
        self.settings = dict(actual.get("settings", {}))
        refused = actual.get("refused")
        self.refused = str(refused.get("why", "")) if refused else ""

    def air_now(self) -> float | None:
        """Return the last air temperature, however old."""
        return self.values.get("air", self.values.get("air2"))

    def picture(self, now_s: float, around: Around) -> Picture:
        """Return the snapshot for one moment."""
        return Picture(
            frame=self.frame,
            now_s=now_s,
            around=around,
            here=self.here,
            here_s=self.here_s,
            heard_s=self.heard_s,
            values=self.values,
            values_s=self.values_s,
            air=tuple(self.air),
            position_permille=self.position,
            target_permille=self.target,
            drive_way=self.drive_way,
            rested=self.rested,
            apart_s=self.apart_s,
            lid_state=self.lid_state,
            moved_s=self.moved_s,
            reason=self.reason,
            lockouts=self.lockouts,
            mode=self.mode,
            faults=frozenset(self.faults),
            refused=self.refused,
            settings=self.settings,
            hold_s=self.hold_s,
            resets_s=tuple(self.resets.values()),
            travel_s=self.travel_s,
        )

    def _heard(self, received_s: float) -> None:
        if self.heard_s is None or received_s > self.heard_s:
            self.heard_s = received_s

    def _keep_air(self, time_s: float, degc: float) -> None:
        if self.air and time_s <= self.air[-1][0]:
            return  # late packs from a journal would bend the rate of now
        self.air.append((time_s, degc))
        while self.air and self.air[0][0] < time_s - SERIES_S:
            self.air.popleft()

    def _compare(self, when_s: float) -> None:
        """Remember since when the lid is not where it is wanted."""
        if self.position is None or self.target is None or abs(self.position - self.target) <= PLAY_PERMILLE:
            self.apart_s = None
        elif self.apart_s is None:
            self.apart_s = when_s
