"""Is the lid where it is wanted? Three witnesses, each of which may be missing or lie.

1. End switches and the frame's own verdict: the fault words of its report and events, and a lid that stays
   away from its target for longer than a journey and a retry take.
2. The motor's current: a journey that drew nothing (a broken wire) or drew the stall current to its end.
   The frame measures it while the lid moves and says so in the fault words motor-dead and over-current.
3. The temperature's answer: see heat_answer.py.

The frame has confirmed and retried before it uses a fault word, so one such word is enough. Two of the
three are enough without any word. The temperature alone is enough when it contradicts an open lid.
"""

from __future__ import annotations

from .heat_answer import SHUT as HEAT_SAYS_SHUT
from .heat_answer import HeatModel, witness
from .picture import PLAY_PERMILLE, Picture

TRUE, FALSE, BETWEEN, UNKNOWN = "true", "false", "between", "unknown"

STUCK_WORDS = frozenset({"stuck-shut", "stuck-open", "stuck-part"})
MOTOR_WORDS = frozenset({"motor-dead", "over-current"})
LATE_S = 300.0  # a journey, a pause and a second try; the host's own verdict comes after that (chosen)
FAR_OPEN_PERMILLE = 300  # from one stage of the law on, an open lid is looked at by heat_answer.py
HEAT_SETTLES_S = 360.0  # after a move the old warmth goes out first; judged from then on
HEAT_WINDOW_S = 300.0
ICE_DEGC = 1.5
FRESH_S = 1000.0


def judge(picture: Picture, model: HeatModel | None = None) -> dict[str, str]:
    """Return alarm id -> truth for every alarm about the lid's place."""
    hot_word = "hot-though-open" in picture.faults
    # A clear fall speaks against the frame's own verdict: the sun came out just as the lid opened.
    no_drop = ("no-drop" in picture.faults and not _falling(picture)) or heat_contradicts(picture, model)
    shut, open_ = stuck_ways(picture)
    warm = heating(picture)
    iced = shut == TRUE and not warm and at_freezing(picture)
    mild = not warm and not iced
    return {
        # Cooling down does not free a lid: once rung, each of these ends only when the lid is free.
        "stuck-shut": BETWEEN if shut == TRUE and not warm else shut,
        "stuck-shut-cool": BETWEEN if shut == TRUE and not mild else shut,
        "lid-iced": BETWEEN if shut == TRUE and not iced else shut,
        "stuck-open": open_,
        "no-drop": TRUE if no_drop else _heat_cleared(picture),
        "hot-though-open": TRUE if hot_word else _hot_though_open(picture),
        "moved-alone": TRUE if "moved-alone" in picture.faults else FALSE,
    }


def stuck_ways(picture: Picture) -> tuple[str, str]:
    """Return the truth of (cannot open as wanted, cannot shut as wanted).

    BETWEEN: the lid is not free, but nothing wants it that way now.
    """
    words = picture.faults & STUCK_WORDS
    if picture.faults & MOTOR_WORDS and picture.drive_way:
        words = words | {"motor"}  # the current says that the last drive came to nothing
    late = picture.apart_s is not None and picture.now_s - picture.apart_s > LATE_S
    # A lid that is apart only because nobody drives it (hold, wind, empty battery) is not stuck.
    driven = picture.mode == "auto" and not picture.faults & {"battery-empty", "wind-shut"}
    if not words and not (late and driven):
        # A lid that the frame will not drive for another fault (both switches, lost position) is as good as stuck.
        return _by_warmth(picture) if picture.lid_state == "stuck" else (FALSE, FALSE)
    if "stuck-shut" in words:
        return TRUE, BETWEEN
    if "stuck-open" in words:
        return BETWEEN, TRUE
    way = picture.drive_way or _way_to_target(picture)
    if "stuck-part" in words and not picture.drive_way and picture.target_permille == 0:
        way = -1  # however little is missing, it is not shut
    if way < 0 and not words & STUCK_WORDS and "motor-dead" in picture.faults and picture.rested == "shut":
        return BETWEEN, BETWEEN  # a motor without current has not opened it: it need not be shut
    if way == 0:
        return _by_warmth(picture)
    return (TRUE, BETWEEN) if way > 0 else (BETWEEN, TRUE)


def _way_to_target(picture: Picture) -> int:
    """Which way the lid would have to go by its own figures; 0 when it is as good as there, or unknown."""
    if picture.target_permille is None or picture.position_permille is None:
        return 0
    way = picture.target_permille - picture.position_permille
    return 0 if abs(way) <= PLAY_PERMILLE else 1 if way > 0 else -1


def _by_warmth(picture: Picture) -> tuple[str, str]:
    """The lid cannot move and nobody says which way it should: the bed's warmth tells where it matters."""
    position = picture.position_permille
    too_shut = position is None or position < FAR_OPEN_PERMILLE
    too_open = position is not None and position > PLAY_PERMILLE
    cold = picture.air_degc is not None and picture.air_degc < picture.setting_degc("close_mdegc", 10_000)
    return TRUE if too_shut and heating(picture) else BETWEEN, TRUE if too_open and cold else BETWEEN


def heating(picture: Picture) -> bool:
    """True when the bed is warm or warming so that a shut lid does harm soon; in doubt True."""
    air = picture.air_degc
    if air is None or picture.values_s is None or picture.now_s - picture.values_s > FRESH_S:
        return picture.around.sun_height_deg is None or picture.around.sun_height_deg > 5.0
    opening = picture.setting_degc("open_mdegc", 15_000)
    if air >= opening + 3.0:
        return True
    rate = picture.rate()
    sun = picture.around.sun_height_deg
    low_sun = sun is not None and sun < 3.0
    rising = rate is None or rate.degc_per_min > 0.03
    return air >= opening - 2.0 and rising and not low_sun


def at_freezing(picture: Picture) -> bool:
    """True when ice along the rim is likely."""
    near = [picture.values[n] for n in ("air", "outside") if n in picture.values]
    return bool(near) and min(near) <= ICE_DEGC


def heat_contradicts(picture: Picture, model: HeatModel | None = None) -> bool:
    """True when the lid says at least 300 permille open and the warmth says shut."""
    position, air = picture.position_permille, picture.air_degc
    if position is None or position < FAR_OPEN_PERMILLE or air is None or picture.moved_s is None:
        return False
    if picture.now_s - picture.moved_s < HEAT_SETTLES_S or picture.mode != "auto":
        return False
    rate = picture.rate(HEAT_WINDOW_S)
    verdict = witness(position / 1000.0, air, picture.values.get("outside"), rate, picture.around.sun_height_deg, model)
    return verdict == HEAT_SAYS_SHUT


def _heat_cleared(picture: Picture) -> str:
    """The contradiction ends when the bed cools to its closing temperature, the lid moves, or the sun goes."""
    air = picture.air_degc
    if air is None:
        return UNKNOWN
    cool = air < picture.setting_degc("close_mdegc", 10_000)
    return FALSE if cool or _falling(picture) else BETWEEN


def _falling(picture: Picture) -> bool:
    rate = picture.rate(HEAT_WINDOW_S)
    return rate is not None and rate.degc_per_min + 2 * rate.error_degc_per_min < -0.1


def _hot_though_open(picture: Picture) -> str:
    air, position = picture.air_degc, picture.position_permille
    if air is None or position is None:
        return UNKNOWN
    high = picture.around.limits.heat_high_degc
    if position < 900:
        return FALSE
    if picture.moved_s is None or picture.now_s - picture.moved_s < 1200:
        return FALSE if air < high - 1.0 else BETWEEN
    if air >= high:
        return TRUE
    return BETWEEN if air > high - 1.0 else FALSE
