"""The words of every alarm: first message, reminder, all-clear, many at once.

Whoever adds an alarm to the catalogue adds its words here; a test asks for every one of them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from ..units import age, span
from ..wording import FAULT_WORDS, PRIORITY_WORDS, REFUSAL_WORDS, Facts, Words, fault_words, temperature_words


class _Say:
    """The frame and its numbers in words, for the sentences below."""

    def __init__(self, name: str, facts: Facts, fahrenheit: bool) -> None:
        self.facts, self.fahrenheit = facts, fahrenheit
        self.frame = name if name.lower().endswith("frame") else f"{name} frame"
        crops = facts.get("crops")
        self.bed = f"{self.frame} ({crops})" if crops else self.frame
        self.crop = str(facts.get("crop") or "") or "the crops"

    def number(self, name: str) -> float | None:
        value = self.facts.get(name)
        return None if value is None or isinstance(value, str) else float(value)

    def degrees(self, name: str) -> str:
        return temperature_words(self.number(name), self.fahrenheit)

    def inside(self) -> str:
        """'Inside it is 27.4 °C, rising 0.6 °C a minute.'"""
        if self.number("air_degc") is None:
            return "The temperature inside is not known."
        return f"Inside it is {self.degrees('air_degc')}{self._rate()}{self._old()}."

    def _rate(self) -> str:
        rate = self.number("rate_degc_per_min")
        if rate is None or abs(rate) < 0.03:
            return ""
        shown = abs(rate) * (1.8 if self.fahrenheit else 1.0)
        return f", {'rising' if rate > 0 else 'falling'} {shown:.1f} {'°F' if self.fahrenheit else '°C'} a minute"

    def _old(self) -> str:
        old = self.number("age_s")
        return "" if old is None or old < 180 else f" ({age(old)})"

    def time_left(self) -> str:
        """'The limit of 32 °C is about 20 minutes away (12 to 40).'"""
        about, first = self.number("left_min"), self.number("left_from_min")
        limit = self.degrees("limit_degc")
        if about is None or first is None:
            return f"The limit for the bed is {limit}."
        if about <= 0:
            return f"That is above the {limit} that the bed stands."
        last = self.number("left_to_min")
        upto = "or longer" if last is None or last > 600 else f"to {_minutes(last)}"
        return f"The limit of {limit} is about {_minutes(about)} minutes away ({_minutes(first)} {upto})."


def _minutes(value: float) -> str:
    """Round as far as the estimate deserves: whole minutes to 20, then fives."""
    return str(max(1, round(value))) if value < 20 else str(round(value / 5) * 5)


SAFE = "Press hold first and keep fingers clear of the closing edge, because the lid may start again; then"
WATCHING = "The frame tries again by itself after a pause; we keep watching and tell you when it is free."
KEEPS = "We keep watching and tell you when it is over."
ALONE = "The frame goes on by itself meanwhile."

Parts = tuple[str, str, str, str]  # title, what happened, what we are doing, what you can do


def _stuck_shut(s: _Say) -> Parts:
    return (
        f"{s.frame}: lid stuck, bed heating",
        f"{s.bed}: the lid was told to open and did not. {s.inside()} {s.time_left()}",
        WATCHING,
        f"{SAFE} lift the lid, prop it, and look for a weight, a latch or ice. If you are away, ask somebody near.",
    )


def _stuck_shut_cool(s: _Say) -> Parts:
    return (
        f"{s.frame}: lid stuck, no hurry yet",
        f"{s.bed}: the lid was told to open and did not. {s.inside()} It does no harm without sun.",
        WATCHING,
        f"{SAFE} free the lid before the next sun.",
    )


def _no_drop(s: _Say) -> Parts:
    return (
        f"{s.frame}: lid says open, bed says shut",
        f"{s.bed}: the lid reports that it is open, but the bed goes on warming as if it were shut. "
        f"{s.inside()} {s.time_left()}",
        "We no longer believe the lid's switch and go by the temperature.",
        f"Look at the lid. {SAFE} prop it open, and check the arm and the end switches.",
    )


def _hot_though_open(s: _Say) -> Parts:
    return (
        f"{s.frame}: hot although open",
        f"{s.bed}: the lid is as far open as it goes and the bed stays hot. {s.inside()} {s.time_left()}",
        "The frame keeps the lid fully open.",
        "Press hold, then lift the lid higher by hand or take it off, or shade the bed.",
    )


def _too_hot(s: _Say) -> Parts:
    return (
        f"{s.frame}: too hot for {s.crop}",
        f"{s.bed}: {s.inside()} {s.crop[:1].upper()}{s.crop[1:]} should stay below {s.degrees('limit_degc')}.",
        "The frame opens as far as it can.",
        "Press hold, then lift the lid fully and shade the bed. Water can wait until it has cooled.",
    )


def _stuck_open(s: _Say) -> Parts:
    return (
        f"{s.frame}: lid does not shut",
        f"{s.bed}: the lid was told to shut and did not. {s.inside()} Outside it is {s.degrees('outside_degc')}.",
        WATCHING,
        "Press hold, clear the rim, and lower the lid by hand with fingers clear of the closing edge before the cold.",
    )


def _open_in_frost(s: _Say) -> Parts:
    return (
        f"{s.frame}: open in frost",
        f"{s.bed}: the lid stands open and it is freezing. {s.inside()} At {s.degrees('frost_degc')} and below it "
        "should be shut.",
        "The frame keeps trying to shut it where it can.",
        "Press hold, lower the lid by hand with fingers clear of the closing edge, and lay the cover on.",
    )


def _frost_danger(s: _Say) -> Parts:
    return (
        f"{s.frame}: frost danger for {s.crop}",
        f"{s.bed}: {s.inside()} Leaves of {s.crop} are damaged near {s.degrees('frost_degc')} (an estimate, as "
        "hardened now), and at night leaves are colder than the air.",
        "The lid is kept shut.",
        "Lay the cover on now. Do not touch frozen leaves.",
    )


def _frost_damage(s: _Say) -> Parts:
    return (
        f"{s.frame}: too cold for {s.crop}",
        f"{s.bed}: {s.inside()} That is below what {s.crop} stands, near {s.degrees('frost_degc')} (an estimate, as "
        "hardened now). Leaves are being hurt.",
        "The lid is kept shut.",
        "Lay the cover on if it is not on yet. Leave frozen plants alone until they have thawed by themselves.",
    )


def _open_at_dusk(s: _Say) -> Parts:
    return (
        f"{s.frame}: still open after sunset",
        f"{s.bed}: the sun is down and the lid is open. Outside it is {s.degrees('outside_degc')}. {s.inside()}",
        KEEPS,
        "Press hold and lower the lid by hand with fingers clear of the closing edge.",
    )


def _probe_lost(s: _Say) -> Parts:
    return (
        f"{s.frame}: no air temperature",
        f"{s.bed}: the air probe gives nothing that can be trusted, so heat and frost go unseen.",
        "The frame opens and shuts by sun and season until the probe is back.",
        "Look at the probe and its plug. Until then look in at the bed on sunny days and cold nights.",
    )


def _probe_spare_lost(s: _Say) -> Parts:
    faults = [fault_words(f) for f in str(s.facts.get("faults") or "").split(", ") if f]
    which = "; ".join(faults) if faults else "a spare probe is silent"
    return (
        f"{s.frame}: a probe is missing",
        f"{s.bed}: {which}. The lid does not depend on it.",
        "The frame works on without it.",
        "Look at the probe and its plug when you are there next.",
    )


def _silent(s: _Say) -> str:
    since = s.number("silent_s")
    return "" if since is None else f" for {span(since)}"


def _frame_silent_sun(s: _Say) -> Parts:
    return (
        f"{s.frame}: silent, and the sun is out",
        f"{s.bed}: nothing heard{_silent(s)} and the sky may be clear. If its power is gone with the lid shut, the "
        "bed scorches within the hour.",
        "We keep listening and tell you when it is back.",
        "Look at the frame, or ask somebody near: is the lid open? If not, lift and prop it.",
    )


def _frame_silent_open(s: _Say) -> Parts:
    return (
        f"{s.frame}: silent, lid last seen open",
        f"{s.bed}: nothing heard{_silent(s)}, its lid was last seen open, and it gets cold. "
        f"Outside it was {s.degrees('outside_degc')}.",
        "We keep listening and tell you when it is back.",
        "Look at the frame, or ask somebody near: is the lid shut? Keep fingers clear of the closing edge.",
    )


def _frame_silent(s: _Say) -> Parts:
    return (
        f"{s.frame}: not heard",
        f"{s.bed}: nothing heard{_silent(s)}. There is no sun and no frost risk that we know of.",
        f"{ALONE} It sends its readings later.",
        "Look at its supply and its radio link when you are there next.",
    )


def _settings_refused(s: _Say) -> Parts:
    why = str(s.facts.get("why") or "no reason given").rstrip(".")
    why = REFUSAL_WORDS.get(why, why)
    return (
        f"{s.frame}: settings not taken",
        f"{s.bed}: the frame did not take the new settings. It says: {why}.",
        "It works on with the settings it had.",
        "Correct the values and send them again.",
    )


def _safe_mode(s: _Say) -> Parts:
    return (
        f"{s.frame}: board has stopped driving",
        f"{s.bed}: the board does not trust its own memory, so it leaves the lid where it is. {s.inside()}",
        "It goes on measuring and reporting.",
        "Set the lid by hand for the weather, then release the frame. If it comes back, change the board.",
    )


def _settings_lost(s: _Say) -> Parts:
    return (
        f"{s.frame}: settings lost",
        f"{s.bed}: the frame lost its stored settings and uses the built-in ones for winter greens.",
        "The lid works on with those.",
        "Send the settings again. If it happens twice, change the board.",
    )


def _volts(s: _Say) -> str:
    volts, limit = s.number("battery_v"), s.number("limit_v")
    shown = "" if volts is None else f" at {volts:.1f} V"
    return shown if limit is None else f"{shown} (limit {limit:.1f} V)"


def _battery_low(s: _Say) -> Parts:
    return (
        f"{s.frame}: battery low",
        f"{s.bed}: the battery is low{_volts(s)}. In a few days the lid may stop.",
        "The frame saves journeys and keeps two in reserve.",
        "Clean the panel, charge or change the battery: dry hands, right polarity, no lithium charging below freezing.",
    )


def _battery_empty(s: _Say) -> Parts:
    return (
        f"{s.frame}: battery empty",
        f"{s.bed}: the battery is empty{_volts(s)}. The lid no longer moves. {s.inside()}",
        "The frame reports for as long as it can.",
        "Set the lid by hand for the weather, then charge or change the battery.",
    )


def _hold_left_on(s: _Say) -> Parts:
    held = s.number("held_min")
    since = "for long" if held is None else f"for {span(held * 60)}"
    return (
        f"{s.frame}: hold is still on",
        f"{s.bed}: the hold switch has been on {since}, so the lid does not move by itself. {s.inside()}",
        "We wait; nothing moves while hold is on.",
        "If your hands are out of the frame, release hold.",
    )


def _moved_alone(s: _Say) -> Parts:
    return (
        f"{s.frame}: lid moved by itself",
        f"{s.bed}: the lid moved and nothing told it to: wind, or a person. {s.inside()}",
        "The frame brings it back when that is safe.",
        "Look from a safe side. In high wind leave the glass alone until it drops.",
    )


def _motor_fault(s: _Say) -> Parts:
    faults = [fault_words(f) for f in str(s.facts.get("faults") or "").split(", ") if f in FAULT_WORDS]
    return (
        f"{s.frame}: motor trouble",
        f"{s.bed}: {'; '.join(faults) or 'the motor does not run as it should'}.",
        "The frame stopped the motor to spare it.",
        "Switch off first, then look at cable, fuse and arm, and for something caught in the lid.",
    )


def _position_unknown(s: _Say) -> Parts:
    return (
        f"{s.frame}: lid position not known",
        f"{s.bed}: the frame cannot tell where its lid is.",
        "It drives by time only, which is less exact.",
        "Switch off, then look at the end switches and their cable.",
    )


def _lid_iced(s: _Say) -> Parts:
    return (
        f"{s.frame}: lid iced shut",
        f"{s.bed}: the lid did not lift and it is near freezing, so ice along the rim is likely. {s.inside()}",
        "The frame does not force it.",
        f"{SAFE} free the rim with lukewarm water or a gentle push by hand. Do not pry on glass.",
    )


def _blind_lid(s: _Say) -> Parts:
    return (
        f"{s.frame}: dark under the lid",
        f"{s.bed}: it is midday and the bed neither lights nor warms: snow or dirt on the lid, or a cover left on. "
        f"{s.inside()}",
        "The frame does not lift a lid that may be loaded more than once.",
        "Brush the lid and take the cover off, unless a very cold spell is coming.",
    )


def _wind_held(s: _Say) -> Parts:
    wind = s.number("wind_m_s")
    blow = "" if wind is None else f" ({wind:.0f} m/s)"
    return (
        f"{s.frame}: wind holds the lid down",
        f"{s.bed}: wind{blow} keeps the lid shut although the bed is warm. {s.inside()} {s.time_left()}",
        "The frame opens when the wind drops, and sooner if the bed scorches.",
        "Shade the bed if you are there. Keep clear of glass in high wind.",
    )


def _clock_lost(s: _Say) -> Parts:
    return (
        f"{s.frame}: clock not set",
        f"{s.bed}: the frame does not know the time, so it cannot go by the sun and takes no orders.",
        "We send it the time.",
        "If this stays, look at the cell of its clock.",
    )


def _restarts_often(s: _Say) -> Parts:
    times = s.number("restarts")
    return (
        f"{s.frame}: restarts often",
        f"{s.bed}: the board restarted {'several' if times is None else f'{times:.0f}'} times within an hour.",
        "It finds its lid and goes on after each.",
        "Switch off, then look for water, a loose plug or a weak supply.",
    )


def _broker_lost(s: _Say) -> Parts:
    return (
        "No frame can be heard",
        "The message broker does not answer, so no frame is heard and no alarm of theirs can reach you.",
        "We try again every few seconds. The frames go on by themselves.",
        "Look at the computer that runs the keeper, its network, and the broker.",
    )


def _keeper_was_down(s: _Say) -> Parts:
    gap = s.number("gap_s")
    return (
        "The keeper was not running",
        f"Nothing was watched{'' if gap is None else f' for {span(gap)}'}. The frames went on by themselves.",
        "We are back and take in what the frames kept.",
        "Look at the computer's power, and at the frames' record of that time.",
    )


def _phone_unreached(s: _Say) -> Parts:
    return (
        "Messages do not reach a phone",
        f"Messages by way of {s.facts.get('channel') or 'one of your channels'} do not go out "
        f"({s.facts.get('why') or 'no answer'}).",
        "We go on trying by the other ways.",
        'Correct its address in the settings and run "sashkeeper alarms test".',
    )


ALERTS: Mapping[str, Callable[[_Say], Parts]] = {
    "stuck-shut": _stuck_shut,
    "stuck-shut-cool": _stuck_shut_cool,
    "no-drop": _no_drop,
    "hot-though-open": _hot_though_open,
    "too-hot": _too_hot,
    "stuck-open": _stuck_open,
    "open-in-frost": _open_in_frost,
    "frost-danger": _frost_danger,
    "frost-damage": _frost_damage,
    "open-at-dusk": _open_at_dusk,
    "probe-lost": _probe_lost,
    "probe-spare-lost": _probe_spare_lost,
    "frame-silent-sun": _frame_silent_sun,
    "frame-silent-open": _frame_silent_open,
    "frame-silent": _frame_silent,
    "safe-mode": _safe_mode,
    "settings-refused": _settings_refused,
    "settings-lost": _settings_lost,
    "battery-low": _battery_low,
    "battery-empty": _battery_empty,
    "hold-left-on": _hold_left_on,
    "moved-alone": _moved_alone,
    "motor-fault": _motor_fault,
    "position-unknown": _position_unknown,
    "lid-iced": _lid_iced,
    "blind-lid": _blind_lid,
    "wind-held": _wind_held,
    "clock-lost": _clock_lost,
    "restarts-often": _restarts_often,
    "broker-lost": _broker_lost,
    "keeper-was-down": _keeper_was_down,
    "phone-unreached": _phone_unreached,
}


def alert(alarm: str, name: str, facts: Facts, priority: str = "", fahrenheit: bool = False) -> Words:
    """Return the message about one alarm of one frame."""
    title, happened, doing, hands = ALERTS[alarm](_Say(name or "Keeper", facts, fahrenheit))
    urgency = PRIORITY_WORDS.get(priority, "")
    return Words(f"{urgency}: {title}" if urgency else title, happened, doing, hands)


def reminder(alarm: str, name: str, facts: Facts, since_s: float, known: bool, fahrenheit: bool = False) -> Words:
    """Return the message that repeats an alarm; known: somebody acknowledged it."""
    words = alert(alarm, name, facts, "", fahrenheit)
    why = "Somebody said that they know, but it is not over." if known else "Nobody has said that they know."
    return Words(f"Still: {words.title}", f"For {span(since_s)} now: {words.happened}", f"{why} {words.doing}",
                 words.hands)


def all_clear(alarm: str, name: str, facts: Facts, lasted_s: float, fahrenheit: bool = False) -> Words:
    """Return the message that an incident is over."""
    words = alert(alarm, name, facts, "", fahrenheit)
    say = _Say(name or "Keeper", facts, fahrenheit)
    inside = f" {say.inside()}" if name and say.number("air_degc") is not None else ""
    return Words(
        f"All clear: {words.title}",
        f"Over after {span(lasted_s)}: {words.title}.{inside}",
        "The usual care goes on.",
        "Nothing more to do now.",
    )


def group(lines: Sequence[str]) -> Words:
    """Return one message for many alarms at once; each line is a title, the worst first."""
    shown = [f"- {line}" for line in lines[:20]]
    if len(lines) > 20:
        shown.append(f"- and {len(lines) - 20} more")
    return Words(
        f"{len(lines)} things at once",
        "\n".join(shown),
        "Many things at once often have one cause, such as power, network or a storm. We go on watching each.",
        "Begin at the top of the list.",
    )
