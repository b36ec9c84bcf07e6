"""Every word a frame or the engine can say has words for a grower."""

from __future__ import annotations

import dataclasses
import re

import pytest

from sash import lid_law, lid_table
from sashkeeper import wording
from sashkeeper.alarms import catalogue, states
from sashkeeper.alarms import words as alarm_words
from sashkeeper.alarms.picture import Around, Limits, LiveFrame

FAULT_WORDS = (
    "stuck-shut", "stuck-open", "stuck-part", "lost-position", "switches-both", "over-current", "motor-dead",
    "moved-alone", "probe-air", "probe-air2", "probe-soil", "probe-outside", "open-in-frost", "hot-though-open",
    "battery-low", "battery-empty", "hold-long", "settings-lost", "clock-lost", "clock-wrong", "wind-shut", "no-drop",
    "self-check",
)  # fmt: skip
FULL = {
    "air_degc": 27.44, "outside_degc": 3.0, "rate_degc_per_min": 0.6, "left_min": 8.0, "left_from_min": 5.2,
    "left_to_min": 14.0, "limit_degc": 32.0, "crops": "spinach, leaf lettuce", "crop": "spinach", "age_s": 20.0,
    "frost_degc": -6.0, "battery_v": 11.7, "limit_v": 11.8, "held_min": 75.0, "silent_s": 800.0, "wind_m_s": 13.0,
    "restarts": 3, "faults": "probe-soil", "why": "close_mdegc: not below opening", "gap_s": 4000.0,
    "channel": "Ann's phone",
}  # fmt: skip
# Words a grower has no use for: names from programs, and blame.
UNWANTED = re.compile(r"invalid|exception|error code|None\b|null|traceback|mdegc:|permille|[a-z]_[a-z]|[a-z][A-Z][a-z]")


@pytest.mark.parametrize("reason", lid_law.REASONS)
def test_every_reason_of_the_law_has_words(reason: str) -> None:
    """Each reason the law can give is said in plain words."""
    assert "no words" not in wording.reason_words(reason)
    assert not UNWANTED.search(wording.reason_words(reason))


@pytest.mark.parametrize("fault", FAULT_WORDS)
def test_every_fault_of_a_frame_has_words(fault: str) -> None:
    """Each fault word on the wire is said in plain words."""
    assert "no words" not in wording.fault_words(fault)


def test_lid_faults_of_the_controller_are_all_known() -> None:
    """The lid faults of the controller's table are among them."""
    assert set(filter(None, lid_table.FAULTS)) <= set(wording.FAULT_WORDS)


def test_unknown_words_are_shown_and_not_hidden() -> None:
    """A word of a newer frame is shown as it came, with what to do."""
    assert "new-thing" in wording.reason_words("new-thing")
    assert "update" in wording.fault_words("new-thing")


def test_every_lid_and_alarm_state_has_words() -> None:
    """States are said in words too."""
    for state in ("unknown", "shut", "opening", "part", "open", "shutting", "stuck", "held"):
        assert wording.LID_STATE_WORDS[state]
    assert set(wording.STATE_WORDS) == set(states.STATES)


@pytest.mark.parametrize("alarm", catalogue.default().ids())
@pytest.mark.parametrize("facts", [FULL, {}], ids=["all known", "nothing known"])
def test_every_alarm_has_three_parts(alarm: str, facts: dict[str, wording.Fact]) -> None:
    """Each alarm says what happened, what we do and what you can do, whatever is known, without program words."""
    words = alarm_words.alert(alarm, "North", facts, "urgent")
    for part in (words.title, words.happened, words.doing, words.hands):
        assert part.strip(), alarm
        assert not UNWANTED.search(part.replace("close_mdegc: not below opening", "")), part
    assert len(words.hands) > 15
    keeper = alarm in ("broker-lost", "keeper-was-down", "phone-unreached")
    assert keeper or "North frame" in words.happened
    if facts and not keeper:
        assert "spinach" in words.happened


def test_stuck_alert_names_everything_needed() -> None:
    """The stuck-lid message holds frame, crop, temperature, rate, limit, minutes with range, and safe handling."""
    words = alarm_words.alert("stuck-shut", "North", FULL, "urgent")
    for needed in ("North frame", "spinach", "27.4 °C", "rising 0.6 °C a minute", "32 °C", "8 minutes", "(5 to 14)"):
        assert needed in words.happened, needed
    for needed in ("Press hold", "closing edge", "lift", "prop"):
        assert needed in words.hands, needed


def test_alarms_that_send_hands_to_a_moving_lid_warn_of_it() -> None:
    """Each message that asks for a hand on the lid says hold first or fingers clear, or keeps people away."""
    for alarm in catalogue.default().ids():
        words = alarm_words.alert(alarm, "North", FULL)
        if re.search(r"\b(lift|lower|prop)\b", words.hands.lower()):
            assert re.search(r"hold|fingers clear", words.hands.lower()) or alarm == "frame-silent-sun", alarm


def test_fahrenheit() -> None:
    """In Fahrenheit both temperatures and rates are converted: 27.44 C = 81.4 F, 0.6 C = 1.1 F a minute."""
    words = alarm_words.alert("stuck-shut", "North", FULL, "", True)
    assert "81.4 °F" in words.happened
    assert "1.1 °F a minute" in words.happened
    assert wording.temperature_words(-0.01) == "0 °C"


def test_old_values_carry_their_age() -> None:
    """A temperature that is minutes old says so."""
    assert "20 min ago" in alarm_words.alert("too-hot", "North", {**FULL, "age_s": 1200.0}).happened


def test_reminder_all_clear_group_and_sign_of_life() -> None:
    """The other messages name the incident and have three parts too."""
    again = alarm_words.reminder("stuck-shut", "North", FULL, 600.0, False)
    assert "Nobody has said" in again.doing
    assert "lid stuck" in again.title
    assert "Over after 40 min" in alarm_words.all_clear("stuck-shut", "North", FULL, 2400.0).happened
    assert alarm_words.group([f"t{i}" for i in range(30)]).happened.count("\n") == 20
    life = wording.sign_of_life(["North: 3 °C"], [])
    assert "Nothing waits for you" in life.hands
    assert dataclasses.astuple(wording.test_message())[1].startswith("This is a test")


def test_picture_repr_is_short_and_telling() -> None:
    """The record of a frame shows itself in one line, for logs and tests."""
    assert repr(LiveFrame("north")) == "<LiveFrame north unknown None air None faults []>"
    assert Around(limits=Limits()).limits.heat_urgent_degc == 38.0
