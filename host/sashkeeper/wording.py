"""Words for growers: reasons, faults, lid states, ages, advice. Those of the alarms are in alarms/words.py.

A message has three parts: what happened, what we are doing, what you can do. It names the frame and the
crop, gives the value and what is allowed, and never blames the reader. Whoever adds a reason or a
fault word adds its words here; a test asks for every one of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from .units import age, to_fahrenheit

Fact = float | int | str | bool | None
Facts = Mapping[str, Fact]

# -- words for the frame's own words ------------------------------------------------------------

REASON_WORDS: Mapping[str, str] = {
    "in-band": "between the closing and the opening temperature, so it stays where it is",
    "hold": "on hold: hands in the frame, or you have taken over",
    "lid-fault": "the lid is stuck, so nothing moves until it is freed",
    "battery-empty": "too little battery left to finish a journey",
    "scorch": "scorching inside, so it is fully open",
    "scorch-wind": "scorching inside, but the wind allows only part",
    "wind-shut": "shut against the wind",
    "wind-part": "opened only a little because of the wind",
    "battery-low": "shut, or not opened further, to save two journeys of battery",
    "frost": "frost inside, so it is shut",
    "cold-outside": "freezing outside, so a crack at most",
    "evening": "shut to keep the day's warmth for the night",
    "dwell": "would move, but moved too short a while ago",
    "budget": "would move, but today's share of journeys is used up",
    "warm": "open because it is warm inside",
    "cool": "shut because it is cool inside",
    "heat-ahead": "opened early, because it would soon scorch",
    "settle": "the worst heat is over, so it shuts a little",
    "blind-night": "no air temperature and it is night, so it is shut",
    "blind-cold": "no air temperature and frost about, so it is shut",
    "blind-warm": "no air temperature and it is warm, so it is open",
    "blind-crack": "no air temperature, so a crack is left open to be safe",
}

FAULT_WORDS: Mapping[str, str] = {
    "stuck-shut": "the lid does not open",
    "stuck-open": "the lid does not shut",
    "stuck-part": "the lid has stopped part way",
    "lost-position": "the frame does not know where its lid is",
    "switches-both": "both end switches say yes at once",
    "over-current": "the motor draws too much current",
    "motor-dead": "the motor draws no current",
    "moved-alone": "the lid moved and nothing told it to",
    "probe-air": "the air probe gives nothing that can be trusted",
    "probe-air2": "the second air probe gives nothing that can be trusted",
    "probe-soil": "the soil probe gives nothing that can be trusted",
    "probe-outside": "the outside probe gives nothing that can be trusted",
    "open-in-frost": "the lid is open in frost",
    "hot-though-open": "the bed is hot although the lid is open",
    "battery-low": "the battery is low",
    "battery-empty": "the battery is empty",
    "hold-long": "the hold switch has been on for long",
    "settings-lost": "the stored settings are lost, built-in ones are used",
    "clock-lost": "the clock is not set",
    "clock-wrong": "clock and timer do not agree",
    "wind-shut": "wind keeps the lid shut",
    "no-drop": "the lid says it is open but the bed warms as if it were shut",
    "self-check": "the board does not trust its own memory and has stopped driving",
}

REFUSAL_WORDS: Mapping[str, str] = {
    "mac": "the signature does not fit, so the key of the frame and the one kept here differ",
    "json": "the message came in broken",
    "form": "the message came in broken",
    "size": "the message is too long",
    "old": "newer settings were taken already",
    "clock": "the frame does not know the time",
}

LID_STATE_WORDS: Mapping[str, str] = {
    "unknown": "not known",
    "shut": "shut",
    "opening": "opening",
    "part": "part open",
    "open": "open",
    "shutting": "shutting",
    "stuck": "stuck",
    "held": "on hold",
    "moving": "moving",
}

PRIORITY_WORDS: Mapping[str, str] = {"urgent": "Urgent", "high": "Soon", "medium": "Today", "low": "Note"}

STATE_WORDS: Mapping[str, str] = {
    "normal": "all well",
    "unacknowledged": "new, nobody has said that they know",
    "acknowledged": "known, still there",
    "returned-unacknowledged": "over, nobody has said that they know",
    "shelved": "silent until the time you chose",
    "suppressed": "silent, because something else already covers it",
    "out-of-service": "taken out of service",
}


def reason_words(reason: str) -> str:
    """Say why the lid is where it is."""
    return REASON_WORDS.get(reason, f"a reason this program has no words for ({reason}); update Sashkeeper")


def fault_words(fault: str) -> str:
    """Say what a fault word of a frame means."""
    return FAULT_WORDS.get(fault, f"a fault this program has no words for ({fault}); update Sashkeeper")


def lid_state_words(state: str) -> str:
    """Say where the lid is."""
    return LID_STATE_WORDS.get(state, state)


def age_words(seconds_s: float | None) -> str:
    """Say how old a value is; None: never heard."""
    return "never" if seconds_s is None else age(seconds_s)


def temperature_words(degc: float | None, fahrenheit: bool = False) -> str:
    """Say a temperature, ``27.4 °C`` or ``81.3 °F``."""
    if degc is None:
        return "not known"
    value = to_fahrenheit(degc) if fahrenheit else degc
    text = f"{value:.1f}".removesuffix(".0")
    return f"{'0' if text == '-0' else text} {'°F' if fahrenheit else '°C'}"


# -- messages -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Words:
    """One message in three parts, with a title for mail and notifications."""

    title: str
    happened: str
    doing: str
    hands: str

    @property
    def body(self) -> str:
        """The three parts, one line each."""
        return f"{self.happened}\n{self.doing}\n{self.hands}"


def frame_line(name: str, air_degc: float | None, lid: str, heard_ago_s: float | None, fahrenheit: bool = False) -> str:
    """Return one frame in one line."""
    air, place = temperature_words(air_degc, fahrenheit), lid_state_words(lid)
    return f"{name}: {air}, lid {place}, heard {age_words(heard_ago_s)}"


def sign_of_life(frames: Sequence[str], standing: Sequence[str]) -> Words:
    """Return the daily message that says the keeper lives; frames: one line each, standing: titles."""
    todo = "Nothing waits for you." if not standing else "Waiting for you:\n" + "\n".join(f"- {t}" for t in standing)
    return Words(
        f"Good morning: {len(frames)} {'frame' if len(frames) == 1 else 'frames'} watched",
        "\n".join(frames) or "No frame has been heard yet.",
        "This message comes every day. If it is missing, the keeper does not run.",
        todo,
    )


def cover_words(
    verdict: str, bare: tuple[float, float, float] | None, covered: tuple[float, float, float] | None,
    damage_degc: float | None, crop: str, nights: int, by_forecast: bool, fahrenheit: bool = False,
) -> str:
    """Say what tonight may bring and whether to cover; ranges are (about, low, high) leaf temperatures [degC]."""
    if bare is None or covered is None:
        return "Tonight cannot be judged: there is no outside temperature and no forecast."

    def spread(r: tuple[float, float, float]) -> str:
        about, low, high = (temperature_words(t, fahrenheit) for t in r)
        return f"about {about} ({low} to {high})"

    source = "a forecast" if by_forecast else f"{nights} nights of this frame" if nights >= 3 else "general ranges only"
    night = f"Leaves tonight, from {source}: bare {spread(bare)}, covered {spread(covered)}."
    if damage_degc is None:
        return f"{night} Nothing is planted that could be hurt."
    limit = f"{crop[:1].upper()}{crop[1:]} is hurt near {temperature_words(damage_degc, fahrenheit)} (estimate)."
    do = {
        "no-cover": "No cover is needed.",
        "cover": "Lay the cover on before dusk.",
        "cover-and-pick": "Lay the cover on, and pick the tender crops before dusk: even covered it may be too cold.",
    }[verdict]
    return f"{night} {limit} {do}"


def evening(frames: Sequence[tuple[str, str]], covers: Sequence[str], pick: bool = False) -> Words:
    """Return the evening's message; frames: (name, its sentences) of what has changed, covers: names to be covered.

    pick: even the cover may not do in one of them.
    """
    do = "Cover and pick today" if pick else "Cover tonight"
    title = f"{do}: {', '.join(covers)}" if covers else "No cover needed tonight"
    return Words(
        title,
        "\n".join(f"{name}: {words}" for name, words in frames),
        "Predictions are estimates. We say so when this changes, and not every evening.",
        "Until we say that it is over: cover each evening, and uncover when the leaves have thawed." if covers
        else "Nothing to do tonight.",
    )


def airing_words(hours: float | None) -> str:
    """Say when the bed was last aired."""
    if hours is None:
        return "The lid has not been seen open yet."
    if hours == 0:
        return "The bed is being aired now."
    since = f"Last aired {age(hours * 3600)}."
    if hours < 14 * 24:
        return since
    mould = "mould likes still, wet air"
    return f"{since} In the next mild hour let it stand open a crack, and take dead leaves out: {mould}."


UPDATE_REFUSED = {
    "size": "The frame found a message too long.",
    "json": "A message reached the frame damaged.",
    "form": "The frame does not understand this form of update: its firmware may be too old. Use the cable once.",
    "mac": "The frame does not know our key. Has it a new one? Put it onto the board with the cable.",
    "key": "The frame has no key. Put one onto the board with the cable.",
    "older": "The frame runs firmware that is as new or newer.",
    "replayed": "The frame has begun a later update already. Run the command again.",
    "unknown": "The frame no longer knows this update. Run the command again.",
    "damaged": "A file did not arrive whole.",
    "unfinished": "The frame says that something is missing. Run the command again.",
    "moving": "The lid moves or is about to.",
    "frost": "It is near freezing at the frame, or no probe answers, and a frame that restarts cannot shut its lid.",
    "clock": "The frame does not know the time yet.",
    "expired": "The clocks of frame and host differ too much.",
    "flash": "The board cannot write its flash: it may be full or worn.",
}


def update_refused_words(word: str) -> str:
    """Say why a frame does not take an update, in a sentence."""
    return UPDATE_REFUSED.get(word, f'The frame refuses: "{word}".')


# What stands still while new firmware starts; said before it is sent.
UPDATE_NOTICE = (
    "While it is sent the lid goes on as before. Then the board restarts: for up to a minute the lid stays where it "
    "is, nothing is measured and no alarm can be raised. Should the new firmware not run well, the old one comes back."
)


def test_message() -> Words:
    """Return the message of the phone test."""
    return Words(
        "Sashkeeper test",
        "This is a test. If you read it, alarms can reach you this way.",
        "Nothing is wrong.",
        "Nothing to do.",
    )


test_message.__test__ = False  # type: ignore[attr-defined]  # a message, not a test


# Why a frame did not follow an order: its word, and what that means for the grower.
ORDER_REFUSED = {
    "clock": "its clock is not set yet; try again in a minute",
    "old": "it has already taken a newer order",
    "late": "the order came too late; the clocks of frame and host may differ",
    "mac": "it has another key than we have",
    "key": "it has no key; put its fittings file onto the board",
    "hold": "it is on hold, by the switch at the frame or by an order; release it first",
    "safe": "it is in its safe mode; look at its faults first",
    "lid-fault": "its lid is stuck; free it first",
    "battery": "its battery is too low for a journey",
    "wind": "there is too much wind",
    "scorch or frost": "it would scorch or freeze what grows there",
}
