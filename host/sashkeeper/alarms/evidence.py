"""From what is known about a frame to which conditions hold now. Pure: no clock, store or network.

Every alarm of the catalogue that belongs to a frame gets a finding each time:
TRUE      it holds,
FALSE     it does not,
BETWEEN   inside the deadband: whatever it was, it stays,
UNKNOWN   nothing to judge by: whatever it was, it stays.
The lid itself is judged in lid_evidence.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from . import lid_evidence
from .catalogue import Alarm, Catalogue
from .heat_answer import HeatModel
from .picture import PLAY_PERMILLE, Picture
from .time_left import until

TRUE, FALSE, BETWEEN, UNKNOWN = "true", "false", "between", "unknown"

Fact = float | int | str | bool | None
FRESH_S = 1000.0  # a reading older than this judges nothing; frames may report as seldom as every 900 s
SILENT_S = 600.0
SILENT_QUIET_S = 1800.0
GONE_S = 300.0  # gone from the broker; a restart and a new connection take less
LEAF_BELOW_AIR_K = 1.5  # leaves under a clear lid sit 1-3 K below the air at night (guide value)
DAMAGE_K = 2.0  # so far below the damage temperature an hour makes 2 degC h, which counts as urgent
SPARE_PROBES = frozenset({"probe-air2", "probe-soil", "probe-outside"})


@dataclass(frozen=True)
class Finding:
    """What was found about one alarm, with the numbers for its message."""

    truth: str
    facts: Mapping[str, Fact] = field(default_factory=dict)


def findings(picture: Picture, catalogue: Catalogue, model: HeatModel | None = None) -> dict[str, Finding]:
    """Return alarm id -> finding for one frame."""
    facts = common_facts(picture)
    found = {
        **{name: Finding(truth, facts) for name, truth in lid_evidence.judge(picture, model).items()},
        "too-hot": _too_hot(picture, catalogue["too-hot"], facts),
        "frost-danger": _frost(picture, catalogue["frost-danger"], LEAF_BELOW_AIR_K, facts),
        "frost-damage": _frost(picture, catalogue["frost-damage"], LEAF_BELOW_AIR_K - DAMAGE_K, facts),
        "open-in-frost": _open_in_frost(picture, catalogue["open-in-frost"], facts),
        "open-at-dusk": _open_at_dusk(picture, facts),
        "probe-lost": _fault(picture, {"probe-air"}, facts),
        "probe-spare-lost": _fault(picture, SPARE_PROBES, facts),
        "safe-mode": _when("self-check" in picture.faults or picture.mode == "safe", facts),
        "settings-refused": _when(bool(picture.refused), {**facts, "why": picture.refused}),
        "settings-lost": _fault(picture, {"settings-lost"}, facts),
        "battery-low": _battery(picture, catalogue["battery-low"], "battery_low_mv", 11_800, facts),
        "battery-empty": _battery(picture, catalogue["battery-empty"], "battery_empty_mv", 11_400, facts),
        "hold-left-on": _hold(picture, facts),
        "motor-fault": _fault(picture, {"motor-dead", "over-current"}, facts),
        "position-unknown": _fault(picture, {"lost-position", "switches-both"}, facts),
        "wind-held": _wind_held(picture, catalogue["wind-held"], facts),
        "clock-lost": _fault(picture, {"clock-lost", "clock-wrong"}, facts),
        "restarts-often": _restarts(picture, facts),
        "blind-lid": _blind(picture, catalogue["blind-lid"], facts),
        **_silence(picture, facts),
    }
    return found


def common_facts(picture: Picture) -> dict[str, Fact]:
    """Collect the numbers that most messages want: temperatures, rate, time left, lid, crops, age."""
    limits = picture.around.limits
    air = picture.air_degc
    rate = picture.rate()
    facts: dict[str, Fact] = {
        "air_degc": air,
        "outside_degc": picture.values.get("outside"),
        "rate_degc_per_min": None if rate is None else round(rate.degc_per_min, 2),
        "position_permille": picture.position_permille,
        "target_permille": picture.target_permille,
        "crops": ", ".join(limits.crops),
        "limit_degc": limits.heat_urgent_degc,
        "age_s": None if picture.values_s is None else max(0.0, picture.now_s - picture.values_s),
        "open_degc": picture.setting_degc("open_mdegc", 15_000),
        "faults": ", ".join(sorted(picture.faults)),
    }
    left = None if air is None else until(limits.heat_urgent_degc, air, rate)
    if left is not None:
        facts |= {"left_min": left.about_min, "left_from_min": left.earliest_min, "left_to_min": left.latest_min}
    return facts


def fresh(picture: Picture) -> bool:
    """True while the last reading still says something about now."""
    return picture.values_s is not None and picture.now_s - picture.values_s <= FRESH_S


def _when(truth: bool, facts: Mapping[str, Fact]) -> Finding:
    return Finding(TRUE if truth else FALSE, facts)


def _fault(picture: Picture, words: set[str] | frozenset[str], facts: Mapping[str, Fact]) -> Finding:
    if not picture.faults:
        return Finding(FALSE, {**facts, "faults": ""})
    hit = sorted(words & picture.faults)
    return _when(bool(hit), {**facts, "faults": ", ".join(hit)})


def _above(value: float, limit: float, deadband: float) -> str:
    if value >= limit:
        return TRUE
    return BETWEEN if value > limit - deadband else FALSE


def _below(value: float, limit: float, deadband: float) -> str:
    if value <= limit:
        return TRUE
    return BETWEEN if value < limit + deadband else FALSE


def _too_hot(picture: Picture, alarm: Alarm, facts: Mapping[str, Fact]) -> Finding:
    air = picture.air_degc
    if air is None or not fresh(picture):
        return Finding(UNKNOWN, facts)
    limits = picture.around.limits
    truth = _above(air, limits.heat_urgent_degc, alarm.deadband_k)
    return Finding(truth, {**facts, "crop": limits.heat_crop})


def _frost(picture: Picture, alarm: Alarm, over_k: float, facts: Mapping[str, Fact]) -> Finding:
    """True when the air is at or below the damage temperature plus `over_k`."""
    damage = picture.around.limits.frost_damage_degc
    airs = [picture.values[n] for n in ("air", "air2") if n in picture.values]
    if damage is None:
        return Finding(FALSE, facts)  # nothing planted that could freeze
    if not airs or not fresh(picture):
        return Finding(UNKNOWN, facts)
    truth = _below(min(airs), damage + over_k, alarm.deadband_k)
    return Finding(truth, {**facts, "crop": picture.around.limits.frost_crop, "frost_degc": damage})


def _open_in_frost(picture: Picture, alarm: Alarm, facts: Mapping[str, Fact]) -> Finding:
    frost = picture.setting_degc("frost_mdegc", 1000)
    facts = {**facts, "frost_degc": frost}
    if "open-in-frost" in picture.faults:
        return Finding(TRUE, facts)
    air, position = picture.air_degc, picture.position_permille
    if air is None or position is None or not fresh(picture):
        return Finding(UNKNOWN, facts)
    if position <= PLAY_PERMILLE:
        return Finding(FALSE, facts)
    return Finding(_below(air, frost, alarm.deadband_k), facts)


def _open_at_dusk(picture: Picture, facts: Mapping[str, Fact]) -> Finding:
    sun, position, outside = picture.around.sun_height_deg, picture.position_permille, picture.values.get("outside")
    if sun is None or position is None or not fresh(picture):
        return Finding(UNKNOWN, facts)
    if sun > 0 or position <= PLAY_PERMILLE:
        return Finding(FALSE, facts)
    if outside is None:
        return Finding(TRUE if sun < -2 else BETWEEN, facts)
    return Finding(_below(outside, 5.0, 1.0) if sun < -2 else BETWEEN, facts)


def _battery(picture: Picture, alarm: Alarm, setting: str, built_in_mv: int, facts: Mapping[str, Fact]) -> Finding:
    limit = picture.settings.get(setting, built_in_mv) / 1000.0
    volts = picture.values.get("battery")
    facts = {**facts, "battery_v": volts, "limit_v": limit}
    if alarm.id in picture.faults:
        return Finding(TRUE, facts)
    if volts is None or not fresh(picture):
        return Finding(UNKNOWN if picture.values_s is None else FALSE if volts is None else UNKNOWN, facts)
    return Finding(_below(volts, limit, alarm.deadband_k), facts)


def _hold(picture: Picture, facts: Mapping[str, Fact]) -> Finding:
    if picture.hold_s is None:
        return _when("hold-long" in picture.faults, facts)
    minutes = max(0.0, picture.now_s - picture.hold_s) / 60.0
    sun = picture.around.sun_height_deg
    dusk = sun is not None and sun < 0 and minutes >= 10
    return _when(minutes >= 60 or dusk or "hold-long" in picture.faults, {**facts, "held_min": minutes})


def _wind_held(picture: Picture, alarm: Alarm, facts: Mapping[str, Fact]) -> Finding:
    facts = {**facts, "wind_m_s": picture.values.get("wind")}
    held = "wind-shut" in picture.faults or picture.reason in ("wind-shut", "scorch-wind")
    air = picture.air_degc
    if not held or air is None:
        return Finding(FALSE, facts)
    return Finding(_above(air, picture.setting_degc("open_mdegc", 15_000) + 3.0, alarm.deadband_k), facts)


def _restarts(picture: Picture, facts: Mapping[str, Fact]) -> Finding:
    hour = [t for t in picture.resets_s if picture.now_s - t <= 3600]
    return _when(len(hour) >= 3, {**facts, "restarts": len(hour)})


def _blind(picture: Picture, alarm: Alarm, facts: Mapping[str, Fact]) -> Finding:
    """Snow or dark: by light where there is a cell, else by a flat, freezing bed under a high sun."""
    sun, air, light = picture.around.sun_height_deg, picture.air_degc, picture.values.get("light")
    if sun is None or not fresh(picture):
        return Finding(UNKNOWN, facts)
    if sun < 12.0:
        return Finding(BETWEEN, facts)  # the night proves nothing either way
    if light is not None:
        # 500 lx at the plants: heavy overcast gives about 5,000 lx outside at this sun height (from memory).
        return Finding(_below(light, 500.0, 300.0), {**facts, "light_lx": light})
    if air is None or len(picture.air) < 20:
        return Finding(UNKNOWN, facts)
    spread = max(v for _, v in picture.air) - min(v for _, v in picture.air)
    if not -2.0 <= air <= 2.0 or (picture.position_permille or 0) > PLAY_PERMILLE:
        return Finding(FALSE, facts)
    return Finding(_below(spread, 0.5, alarm.deadband_k), facts)


def _silence(picture: Picture, facts: Mapping[str, Fact]) -> dict[str, Finding]:
    """Silence, worded by risk: sun, an open lid before a cold night, or neither."""
    names = ("frame-silent-sun", "frame-silent-open", "frame-silent")
    if picture.heard_s is None:
        return {name: Finding(UNKNOWN, facts) for name in names}
    silent_s = picture.now_s - picture.heard_s
    gone = picture.here is False and picture.here_s is not None and picture.now_s - picture.here_s >= GONE_S
    facts = {**facts, "silent_s": silent_s}
    allowed_s = max(SILENT_S, 2.5 * picture.settings.get("report_s", 60) + 60)
    if silent_s < allowed_s and not gone:
        return {name: Finding(FALSE, facts) for name in names}
    sun = picture.around.sun_height_deg
    sunny = sun is None or (sun >= 12.0 and not picture.around.dull_sky)
    outside = picture.values.get("outside")
    was_open = (picture.position_permille or 0) > PLAY_PERMILLE
    cold_open = was_open and sun is not None and sun < 5.0 and (outside is None or outside < 5.0)
    # While a frame stays silent none of these clears: only its voice is good news.
    return {
        "frame-silent-sun": Finding(TRUE if sunny and sun is not None else BETWEEN, facts),
        "frame-silent-open": Finding(TRUE if cold_open else BETWEEN, facts),
        "frame-silent": Finding(TRUE if silent_s >= max(SILENT_QUIET_S, allowed_s) or gone else BETWEEN, facts),
    }
