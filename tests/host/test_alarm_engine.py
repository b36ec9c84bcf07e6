"""The engine: delays, one message per incident, reminders, second channel, storm, quiet hours, shelving, covers."""

from __future__ import annotations

import itertools
import random
from collections.abc import Mapping

import pytest

from sashkeeper.alarms import catalogue, states
from sashkeeper.alarms.engine import Engine
from sashkeeper.alarms.evidence import BETWEEN, FALSE, TRUE, Finding
from sashkeeper.alarms.incident import (
    ALERT,
    ALL_CLEAR,
    GROUP,
    LIFE,
    REMINDER,
    SECOND,
    Action,
    Change,
    Message,
    Standing,
)  # fmt: skip
from sashkeeper.alarms.rules import Rules

NOON = 1_767_268_800.0  # 2026-01-01 12:00 UTC
CATALOGUE = catalogue.default()
DAY = 86_400.0


def engine(**rules: object) -> Engine:
    """An engine in a household at UTC without a daily message, unless asked for."""
    return Engine(CATALOGUE, Rules(**{"life_at_min": None, **rules}))  # type: ignore[arg-type]


def step(e: Engine, now_s: float, frame: str = "north", **truth: str) -> list[Message]:
    """One step with findings by alarm name (underscores for hyphens); returns the messages."""
    found = {name.replace("_", "-"): Finding(word, {"air_degc": 30.0}) for name, word in truth.items()}
    return messages(e.step(now_s, {frame: found}))


def messages(actions: list[Action]) -> list[Message]:
    """Only what goes to the phone."""
    return [a for a in actions if isinstance(a, Message)]


def kinds(found: list[Message]) -> list[tuple[str, str]]:
    """Kind and alarm of each message."""
    return [(m.kind, m.standings[0].alarm if m.standings else "") for m in found]


def test_stuck_lid_is_told_in_the_same_step() -> None:
    """A stuck lid in sun is announced by the step that sees it, once."""
    e = engine()
    assert kinds(step(e, NOON, stuck_shut=TRUE)) == [(ALERT, "stuck-shut")]
    for second in range(1, 500):
        assert step(e, NOON + second, stuck_shut=TRUE) == []


def test_on_delay_and_off_delay() -> None:
    """too-hot rings after 60 s of heat, not before, and clears after 300 s without."""
    e = engine()
    assert step(e, NOON, too_hot=TRUE) == []
    assert step(e, NOON + 59, too_hot=TRUE) == []
    assert kinds(step(e, NOON + 60, too_hot=TRUE)) == [(ALERT, "too-hot")]
    assert step(e, NOON + 100, too_hot=FALSE) == []
    assert step(e, NOON + 399, too_hot=FALSE) == []
    assert kinds(step(e, NOON + 400, too_hot=FALSE)) == [(ALL_CLEAR, "too-hot")]


def test_short_heat_does_not_ring() -> None:
    """Heat that goes before its delay is over is never told."""
    e = engine()
    assert step(e, NOON, too_hot=TRUE) + step(e, NOON + 50, too_hot=FALSE) + step(e, NOON + 61, too_hot=TRUE) == []


def test_noise_of_one_step_for_a_day_rings_at_most_once() -> None:
    """24 h of readings that jump one probe step (1/16 degC) around the limit give at most one activation."""
    from sashkeeper.alarms.evidence import findings
    from sashkeeper.alarms.picture import Around, Limits, Picture

    rng = random.Random(3)
    e, rises = engine(), 0
    for i in range(0, 86_400, 60):
        now_s = NOON + i
        air = 38.0 + rng.choice((-0.0625, 0.0, 0.0625))
        seen = Picture("north", now_s, Around(limits=Limits(heat_urgent_degc=38.0)), values={"air": air},
                       values_s=now_s, heard_s=now_s, position_permille=0)
        e.look(now_s, "north", {"too-hot": findings(seen, CATALOGUE)["too-hot"]})
        actions = e.settle(now_s)
        rises += sum(isinstance(a, Change) and a.to_state == states.UNACKNOWLEDGED for a in actions)
    assert rises == 1


def test_deadband_keeps_what_was() -> None:
    """Inside the deadband a standing alarm stands and a silent one stays silent."""
    e = engine()
    assert step(e, NOON, too_hot=BETWEEN) + step(e, NOON + 900, too_hot=BETWEEN) == []
    step(e, NOON + 1000, too_hot=TRUE)
    assert kinds(step(e, NOON + 1060, too_hot=TRUE)) == [(ALERT, "too-hot")]
    assert step(e, NOON + 1100, too_hot=BETWEEN) + step(e, NOON + 1600, too_hot=BETWEEN) == []


def test_a_clock_set_back_delays_nothing() -> None:
    """When the clock jumps back, a running delay is not made longer than it was."""
    e = engine()
    step(e, NOON, too_hot=TRUE)
    step(e, NOON - 3600, too_hot=TRUE)
    assert kinds(step(e, NOON - 3540, too_hot=TRUE)) == [(ALERT, "too-hot")]


def test_high_alarm_not_acknowledged_goes_out_on_the_second_channel() -> None:
    """An urgent alarm that nobody acknowledges in 10 min goes out once more by the second channel."""
    e = engine()
    step(e, NOON, stuck_shut=TRUE)
    assert step(e, NOON + 599, stuck_shut=TRUE) == []
    found = step(e, NOON + 600, stuck_shut=TRUE)
    assert [(m.kind, m.channel) for m in found] == [(REMINDER, SECOND)]


def test_acknowledging_stops_reminders_until_it_still_stands() -> None:
    """After acknowledging there is silence, one word after two hours if it still stands, then the all-clear."""
    e = engine()
    step(e, NOON, stuck_shut=TRUE)
    assert e.acknowledge(NOON + 60, "north", "stuck-shut", "Ann")
    assert not e.acknowledge(NOON + 61, "north", "stuck-shut", "Ann")
    told = []
    for minute in range(2, 400):
        told += [(minute, k) for k, _ in kinds(step(e, NOON + 60 * minute, stuck_shut=TRUE))]
    assert told == [(121, REMINDER)]
    step(e, NOON + 24_060, stuck_shut=FALSE)
    assert kinds(step(e, NOON + 24_180, stuck_shut=FALSE)) == [(ALL_CLEAR, "stuck-shut")]


def test_reminders_are_few_and_end() -> None:
    """A week of an unacknowledged urgent alarm gives one alert, one second channel and four reminders."""
    e = engine()
    found = [m for i in range(0, int(7 * DAY), 300) for m in step(e, NOON + i, stuck_shut=TRUE)]
    assert [m.kind for m in found].count(ALERT) == 1
    assert len(found) == 6


def test_all_clear_only_for_what_was_told() -> None:
    """What was held back by the night and is over by the morning is never mentioned."""
    e = engine()
    night = NOON + 11 * 3600  # 23:00
    assert step(e, night, motor_fault=TRUE) == []
    assert step(e, night + 60, motor_fault=FALSE) == []
    assert step(e, night + 3600, motor_fault=FALSE) == []
    assert step(e, night + 9 * 3600, motor_fault=FALSE) == []


def test_quiet_hours_hold_back_and_hand_over_in_the_morning() -> None:
    """A medium alarm at night is told when the quiet hours end."""
    e = engine()
    night = NOON + 11 * 3600
    assert step(e, night, motor_fault=TRUE) == []
    assert step(e, NOON + 18.4 * 3600, motor_fault=TRUE) == []
    assert kinds(step(e, NOON + 18.5 * 3600, motor_fault=TRUE)) == [(ALERT, "motor-fault")]


@pytest.mark.parametrize("alarm", [a for a in CATALOGUE if a.priority == "urgent" or
                                   (a.kind == "frost" and a.priority != "low")], ids=lambda a: a.id)
def test_quiet_hours_never_silence_urgent_heat_or_frost(alarm: catalogue.Alarm) -> None:
    """Even with quiet hours round the clock, urgent alarms and serious frost are told at once."""
    e = engine(quiet_from_min=0, quiet_to_min=1439)
    found = [m for t in (0.0, alarm.on_delay_s + 1) for m in
             messages(e.step(NOON + t, {"north": {alarm.id: Finding(TRUE, {})}}))]
    assert kinds(found) == [(ALERT, alarm.id)]


def test_quiet_hours_follow_local_time() -> None:
    """The quiet hours are those of the household's clock, across midnight too."""
    e = engine(local_offset_s=-5 * 3600.0)
    assert not e.quiet(NOON)  # 7:00 local
    assert e.quiet(NOON - 3600)  # 6:00 local
    assert e.quiet(NOON + 15 * 3600)  # 22:00 local
    assert not engine(quiet_from_min=0, quiet_to_min=0).quiet(NOON)


def test_low_alarms_wait_for_the_daily_message() -> None:
    """A low alarm is named by the next sign of life and needs no message of its own."""
    e = engine(life_at_min=7 * 60 + 30)
    e.step(NOON, {})
    assert step(e, NOON + 60, settings_refused=TRUE) == []
    found = step(e, NOON + 19.6 * 3600, settings_refused=TRUE)
    assert [m.kind for m in found] == [LIFE]
    assert [s.alarm for s in found[0].standings] == ["settings-refused"]


def test_sign_of_life_comes_once_a_day() -> None:
    """In ten days, stepped every 10 min, the sign of life comes ten times; a night of downtime only delays it."""
    e = engine(life_at_min=450)
    found = [m for i in range(0, int(10 * DAY), 600) for m in messages(e.step(NOON + i, {}))]
    assert [m.kind for m in found] == [LIFE] * 10
    late = messages(e.step(NOON + 11.2 * DAY, {}))
    assert [m.kind for m in late] == [LIFE]


def test_storm_is_grouped() -> None:
    """20 frames silent at once give one grouped message that names all of them."""
    e = engine()
    found = {f"f{i}": {"frame-silent-sun": Finding(TRUE, {})} for i in range(20)}
    told = messages(e.step(NOON, found))
    assert [m.kind for m in told] == [GROUP]
    assert len(told[0].standings) == 20


def test_never_more_than_ten_messages_in_ten_minutes() -> None:
    """Whatever happens, no 10 min hold more than 10 messages, and nothing is left untold for more than 10 min."""
    rng = random.Random(11)
    e, sent = engine(), []
    raised: dict[tuple[str, str], float] = {}
    told: dict[tuple[str, str], float] = {}
    for i in range(0, 7200, 5):
        now_s = NOON + i
        found: dict[str, Mapping[str, Finding]] = {}
        for frame in (f"f{n}" for n in range(200)):
            for alarm in ("stuck-shut", "moved-alone"):
                if (frame, alarm) not in raised and rng.random() < 0.002:
                    raised[frame, alarm] = now_s
            found[frame] = {a: Finding(TRUE if (frame, a) in raised else FALSE, {}) for a in
                            ("stuck-shut", "moved-alone")}
        for m in messages(e.step(now_s, found)):
            sent.append(now_s)
            for s in m.standings:
                told.setdefault((s.frame, s.alarm), now_s)
    assert len(raised) > 300
    for t in sent:
        assert sum(t - 600 < u <= t for u in sent) <= 10
    waits = [told[key] - at for key, at in raised.items() if at < NOON + 6500]
    assert max(waits) <= 600


def test_shelving_always_ends_and_a_true_alarm_returns() -> None:
    """A shelved alarm is silent, comes back at the end if still true, and needs an end within 30 days."""
    e = engine()
    step(e, NOON, too_hot=TRUE)
    step(e, NOON + 60, too_hot=TRUE)
    e.shelve(NOON + 100, "north", "too-hot", NOON + 4000, "Ann")
    for t in range(120, 4000, 60):
        assert step(e, NOON + t, too_hot=TRUE) == []
    assert kinds(step(e, NOON + 4000, too_hot=TRUE)) == [(ALERT, "too-hot")]
    for end_s in (NOON, NOON + 31 * DAY):
        with pytest.raises(ValueError, match="end"):
            e.shelve(NOON + 1, "north", "too-hot", end_s, "Ann")


def test_shelved_and_over_stays_silent() -> None:
    """An alarm that ends on the shelf is normal afterwards and never told."""
    e = engine()
    e.shelve(NOON, "north", "too-hot", NOON + 4000, "Ann")
    for t in range(0, 2000, 60):
        assert step(e, NOON + t, too_hot=TRUE) == []
    for t in range(2000, 6000, 60):
        assert step(e, NOON + t, too_hot=FALSE) == []
    assert ("north", "too-hot") not in e.standings or e.standings["north", "too-hot"].state == states.NORMAL


def test_one_message_per_incident_when_alarms_cover_each_other() -> None:
    """Heat that follows a stuck lid does not ring on top of it, and the cover is logged by name."""
    e = engine()
    step(e, NOON, stuck_shut=TRUE)
    step(e, NOON + 300, stuck_shut=TRUE, too_hot=TRUE)
    actions = e.step(NOON + 360, {"north": {"stuck-shut": Finding(TRUE), "too-hot": Finding(TRUE)}})
    assert messages(actions) == []
    assert [(c.to_state, c.why) for c in actions if isinstance(c, Change)] == [
        (states.SUPPRESSED, "silent by design: alarm stuck-shut")
    ]
    # freed: the all-clear comes, and the heat that is still going out does not ring
    step(e, NOON + 700, stuck_shut=FALSE, too_hot=TRUE)
    assert kinds(step(e, NOON + 820, stuck_shut=FALSE, too_hot=TRUE)) == [(ALL_CLEAR, "stuck-shut")]
    assert step(e, NOON + 1500, stuck_shut=FALSE, too_hot=TRUE) == []
    # but heat that stays does
    assert kinds(step(e, NOON + 820 + 900, too_hot=TRUE)) == [(ALERT, "too-hot")]


def test_named_mode_silences_by_design_and_is_logged() -> None:
    """Winter storage silences what its record names, with the mode in the log; afterwards it can ring."""
    e = engine()
    e.modes["north"] = frozenset({"storage"})
    actions = e.step(NOON, {"north": {"stuck-shut": Finding(TRUE)}})
    assert messages(actions) == []
    assert [c.why for c in actions if isinstance(c, Change)] == ["silent by design: mode storage"]
    e.modes["north"] = frozenset()
    assert kinds(step(e, NOON + 10, stuck_shut=TRUE)) == [(ALERT, "stuck-shut")]


def test_flapping_tells_no_more_often_than_every_ten_minutes() -> None:
    """A fault that comes and goes every 3 min is one incident with bounded messages."""
    e, alerts = engine(), []
    for i in range(0, 3600, 10):
        truth = TRUE if (i // 180) % 2 == 0 else FALSE
        alerts += [NOON + i for m in step(e, NOON + i, stuck_shut=truth) if m.kind == ALERT]
    assert alerts[0] == NOON
    assert all(b - a >= 600 for a, b in itertools.pairwise(alerts))


def test_returned_alarm_that_nobody_acknowledges_is_taken_as_read() -> None:
    """Half a day after the all-clear an unacknowledged alarm is closed, and the log says so."""
    e = engine()
    step(e, NOON, stuck_shut=TRUE)
    step(e, NOON + 100, stuck_shut=FALSE)
    step(e, NOON + 300, stuck_shut=FALSE)
    assert e.standings["north", "stuck-shut"].state == states.RETURNED
    actions = e.step(NOON + 300 + 12 * 3600, {})
    assert [(c.to_state, c.why) for c in actions if isinstance(c, Change)] == [
        (states.NORMAL, "returned and taken as read")
    ]
    assert e.standings == {}


def frost(e: Engine, start_s: float, air_degc: float, hours: float = 8.0) -> list[Message]:
    """A night of frost damage at this temperature, then a day without; what was told."""
    told = []
    for t in range(0, 86_400, 300):
        truth = TRUE if t < hours * 3600 else FALSE
        found = {"frost-damage": Finding(truth, {"air_degc": air_degc if truth == TRUE else 5.0})}
        told += messages(e.step(start_s + t, {"north": found}))
    return told


def test_frost_of_the_next_night_is_told_when_it_is_worse() -> None:
    """A spell is told once: nights after it only when 2 K colder than any before; after a night without, anew."""
    e, night = engine(second_channel=False), NOON + 10 * 3600
    assert kinds(frost(e, night, -6.0)) == [(ALERT, "frost-damage")]
    assert frost(e, night + DAY, -6.0) == []
    assert frost(e, night + 2 * DAY, -7.9) == []
    assert kinds(frost(e, night + 3 * DAY, -9.9)) == [(ALERT, "frost-damage")]
    assert frost(e, night + 4 * DAY, -11.0) == []
    assert frost(e, night + 5 * DAY, -11.0, hours=0.0) == []
    assert kinds(frost(e, night + 6 * DAY, -6.0)) == [(ALERT, "frost-damage")]


def test_frost_that_comes_back_within_minutes_is_one_incident() -> None:
    """Frost that comes and goes around its limit in one night is told once."""
    e, night = engine(), NOON + 10 * 3600
    told = [m for t in (0, 60) for m in step(e, night + t, frost_danger=TRUE)]
    told += [m for t in range(120, 1200, 60) for m in step(e, night + t, frost_danger=FALSE)]
    told += [m for t in range(1200, 3000, 60) for m in step(e, night + t, frost_danger=TRUE)]
    assert kinds(told) == [(ALERT, "frost-danger")]


def test_a_spell_outlives_a_restart() -> None:
    """What the store kept of a night of frost silences the same frost of the next night."""
    e, night = engine(second_channel=False), NOON + 10 * 3600
    frost(e, night, -6.0)
    again = engine(second_channel=False)
    again.standings = {key: Standing(**s.to_dict()) for key, s in e.standings.items()}
    assert frost(again, night + DAY, -6.0) == []


def test_out_of_service_is_silent_until_put_back() -> None:
    """An alarm out of service never rings; put back while true, it does."""
    e = engine()
    e.take_out(NOON, "north", "probe-lost", "Ann")
    for t in range(0, 600, 60):
        assert step(e, NOON + t, probe_lost=TRUE) == []
    assert e.put_back(NOON + 600, "north", "probe-lost", "Ann")
    assert not e.put_back(NOON + 600, "north", "probe-lost", "Ann")
    assert kinds(step(e, NOON + 600, probe_lost=TRUE)) == [(ALERT, "probe-lost")]


def test_who_knew_before_a_hold_still_knows_after_it() -> None:
    """An alarm acknowledged before a hold must come back acknowledged: it is the same incident."""
    e = engine()
    true = {"stuck-shut": Finding(TRUE, {})}
    for after_s, modes in ((0.0, ()), (60.0, ()), (120.0, ("hold",)), (240.0, ())):
        e.look(NOON + after_s, "north", true, modes)
        e.settle(NOON + after_s, "north")
        if after_s == 60.0:
            assert e.acknowledge(NOON + after_s, "north", "stuck-shut", "ann")
    assert e.standings["north", "stuck-shut"].state == states.ACKNOWLEDGED
