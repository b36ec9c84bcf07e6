"""How far the lid should stand open, and why.

This file is the only place where a temperature meets a setpoint. It knows no
clock, no pin and no network. Temperatures are thousandths of a degree Celsius
(_mdegc), openings thousandths of full travel (_permille), times durations in
whole seconds (_s), sun heights hundredths of a degree (_cdeg).

    answer = decide(sense, state, settings)
    target_of(answer), reason_of(answer), lockouts_of(answer)

`sense` and `settings` are flat sequences of whole numbers in the order of SENSE
and SETTINGS; `state` is a flat *mutable* sequence (list on the board, int64
array when compiled) that begins as START and is changed in place. The answer
is one small whole number. So a step takes nothing from the heap, and the same
source runs on MicroPython, on CPython and compiled (framesim.compiled.law).
Every number stays below 2**30: boards hold larger ones on the heap.

The rank of the rules, each pair of them decided: docs/decisions/law-ranks.md.
"""


def const(value):
    """MicroPython folds `X = const(1)` while it compiles; elsewhere it is the number."""
    return value


NONE = const(-1)
NO_MDEGC = const(-999999)
NO_SUN = const(-99999)

# --- slots ------------------------------------------------------------------
SENSE = (
    "dt_s", "air_mdegc", "outside_mdegc", "soil_mdegc", "sun_cdeg", "after_noon", "day_of_year",
    "wind_mms", "battery_mv", "light_lx", "hold", "lid_fault", "position_permille", "north",
)
DT = const(0)
AIR = const(1)
OUTSIDE = const(2)
SOIL = const(3)
SUN = const(4)
AFTER_NOON = const(5)
DAY_OF_YEAR = const(6)
WIND = const(7)
BATTERY = const(8)
LIGHT = const(9)
HOLD = const(10)
LID_FAULT = const(11)
POSITION = const(12)
NORTH = const(13)

SETTINGS = (
    "open_mdegc", "close_mdegc", "stage_mdegc", "scorch_mdegc", "frost_mdegc", "min_outside_mdegc",
    "crack_permille", "stage_permille", "dwell_s", "strokes_per_day", "wind_part_mms", "wind_shut_mms",
    "evening_sun_cdeg", "blind_permille", "battery_low_mv", "battery_empty_mv",
)
OPEN_AT = const(0)
CLOSE_AT = const(1)
STAGE_STEP = const(2)
SCORCH_AT = const(3)
FROST_AT = const(4)
MIN_OUTSIDE = const(5)
CRACK = const(6)
STAGE_WIDTH = const(7)
DWELL = const(8)
STROKES = const(9)
WIND_PART = const(10)
WIND_SHUT = const(11)
EVENING_SUN = const(12)
BLIND_OPENING = const(13)
BATTERY_LOW = const(14)
BATTERY_EMPTY = const(15)

STATE = (
    "target_permille",      # what was last decided
    "since_move_s",         # since the target last changed, at most LONG_S
    "used_permille",        # travel spent today
    "day_of_year",          # the day that travel belongs to, 0 unknown
    "day_s",                # seconds into that day while there is no clock
    "scorch",               # 1 from the scorch temperature until 2 K below it
    "settle_stage",         # stage to fall back to when scorch ends
    "settling",             # 1 in the one step in which scorch ends
    "since_scorch_s",       # since scorch ended, at most LONG_S
    "slope_mdegc_min",      # smoothed rise of the air per minute
    "slope_from_mdegc",     # air at the last slope sample
    "slope_s",              # since that sample
    "wind_level",           # 0 calm, 1 part, 2 shut
    "calm_s",               # since the wind last reached the release value
    "cold",                 # 1 while it freezes outside
    "evening",              # 1 from the evening close until sunrise
    "battery_level",        # 0 well, 1 low, 2 empty
    "battery_s",            # how long the battery has asked for another level
    "trend_from_mdegc",     # air at the start of this half hour
    "trend_s",              # since that start
    "falls",                # half hours in a row in which the air fell
)
TARGET = const(0)
SINCE_MOVE = const(1)
USED = const(2)
DAY = const(3)
DAY_S = const(4)
SCORCH = const(5)
SETTLE_STAGE = const(6)
SETTLING = const(7)
SINCE_SCORCH = const(8)
SLOPE = const(9)
SLOPE_FROM = const(10)
SLOPE_S = const(11)
WIND_LEVEL = const(12)
CALM_S = const(13)
COLD = const(14)
EVENING = const(15)
BATTERY_LEVEL = const(16)
BATTERY_S = const(17)
TREND_FROM = const(18)
TREND_S = const(19)
FALLS = const(20)

LONG_S = const(100000)
# A fresh start counts as long after the last move and long after the last scorch.
START = (0, LONG_S, 0, 0, 0, 0, 0, 0, LONG_S, 0, NO_MDEGC, 0, 0, 0, 0, 0, 0, 0, NO_MDEGC, 0, 0)

# --- answers ----------------------------------------------------------------
REASONS = (
    "in-band",        # between the closing and the opening temperature of this stage
    "hold",           # hands in the frame, or a person has taken over
    "lid-fault",      # the lid is stuck: nothing moves until that is cleared
    "battery-empty",  # too little left to finish a stroke
    "scorch",         # scorching: fully open
    "scorch-wind",    # scorching, but the wind allows only part
    "wind-shut",      # shut against the wind
    "wind-part",      # held to a part opening by the wind
    "battery-low",    # shut, or not opened further, to keep two strokes in reserve
    "frost",          # inside below the frost value: shut
    "cold-outside",   # it freezes outside: a crack at most
    "evening",        # shut to bank the heat for the night
    "dwell",          # would move, but moved too recently
    "budget",         # would move, but today's travel is spent
    "warm",           # open because it is warm
    "cool",           # shut because it is cool
    "heat-ahead",     # opened early: two minutes on it would scorch
    "settle",         # scorch is over: back to one stage more than before
    "blind-night",    # no air probe, night: shut
    "blind-cold",     # no air probe, frost outside, in the bed or in season: shut
    "blind-warm",     # no air probe, warm outside or warm bed: open
    "blind-crack",    # no air probe, nothing known that speaks against a crack
)
IN_BAND = const(0)
HELD = const(1)
FAULTY = const(2)
EMPTY = const(3)
SCORCHING = const(4)
SCORCH_WIND = const(5)
WINDY_SHUT = const(6)
WINDY_PART = const(7)
LOW = const(8)
FROST = const(9)
COLD_OUTSIDE = const(10)
AT_EVENING = const(11)
DWELLING = const(12)
SPENT = const(13)
WARM = const(14)
COOL = const(15)
HEAT_AHEAD = const(16)
SETTLED = const(17)
BLIND_NIGHT = const(18)
BLIND_COLD = const(19)
BLIND_WARM = const(20)
BLIND_CRACK = const(21)

LOCKOUTS = ("hold", "lid-fault", "wind", "battery", "cold", "evening", "dwell", "budget", "blind")
HOLD_BIT = const(1)
FAULT_BIT = const(2)
WIND_BIT = const(4)
BATTERY_BIT = const(8)
COLD_BIT = const(16)
EVENING_BIT = const(32)
DWELL_BIT = const(64)
BUDGET_BIT = const(128)
BLIND_BIT = const(256)

# --- figures that are not settings: all chosen by us, none taken from a standard -----
SCORCH_BAND = const(2000)         # mdegc below the scorch value at which scorch ends
NEAR_SCORCH = const(3000)         # mdegc below it: evening does not shut so hot a bed
SCORCH_MEMORY_S = const(3600)     # after a scorch the cold cap stays at the settle stage
WIND_BAND = const(1500)           # mm/s below a limit before the hold-off counts
WIND_HOLD_OFF_S = const(600)
WIND_PART_OPENING = const(150)    # permille with the wind above the part limit
SCORCH_PART_OPENING = const(400)  # permille if it scorches as well
SCORCH_SHUT_OPENING = const(150)  # permille if it scorches above the shut limit
COLD_BAND = const(500)            # mdegc
BATTERY_TAKES_S = const(30)
BATTERY_LOW_BAND = const(300)     # mV
BATTERY_EMPTY_BAND = const(200)   # mV
SLOPE_EVERY_S = const(30)
SLOPE_MOST = const(20000)         # mdegc a minute: the estimate is cut here
SLOPE_URGENT = const(300)         # mdegc a minute: slower is not urgent
AHEAD_MIN = const(2)              # minutes looked ahead
QUICK_S = const(120)              # shortest pause that lets a lagging probe (60 to 120 s) answer
EVENING_LX = const(2000)          # no clock: below this light it is evening
MORNING_LX = const(4000)          # no clock: above it is day
TREND_EVERY_S = const(1800)
TREND_STEP = const(600)           # mdegc in half an hour that count as falling or rising
HIGH_SUN = const(1500)            # cdeg: a sun that can scorch a shut frame in winter
BLIND_SOIL = const(8000)          # mdegc below scorch: a bed this warm means a hot frame
DAY_SECONDS = const(86400)
SEASON_FROM = const(305)          # frost season by day of year, northern half: November ...
SEASON_TO = const(105)            # ... to mid April
HALF_YEAR = const(182)
ICE_MDEGC = const(1000)


def target_of(answer):
    """The opening wanted, in permille."""
    return answer & 1023


def reason_of(answer):
    """The number of the reason; its word is REASONS[number]."""
    return (answer >> 10) & 63


def lockouts_of(answer):
    """What restrains the lid now, as bits; their words are in LOCKOUTS."""
    return answer >> 16


def _pair(target, reason):
    """One whole number for both: a tuple would come from the heap."""
    return target + 1024 * reason


# --- what the law remembers ---------------------------------------------------
def _follow_time(sense, state):
    dt_s = sense[DT]
    if dt_s < 0:
        dt_s = 0
    if dt_s > 3600:
        dt_s = 3600
    state[SINCE_MOVE] = min(LONG_S, state[SINCE_MOVE] + dt_s)
    state[SINCE_SCORCH] = min(LONG_S, state[SINCE_SCORCH] + dt_s)
    state[SLOPE_S] += dt_s
    state[TREND_S] += dt_s
    state[CALM_S] = min(LONG_S, state[CALM_S] + dt_s)
    state[DAY_S] += dt_s
    day = sense[DAY_OF_YEAR]
    if day > 0:
        if day != state[DAY]:
            state[DAY] = day
            state[DAY_S] = 0
            state[USED] = 0
    elif state[DAY_S] >= DAY_SECONDS:
        state[DAY_S] = 0
        state[USED] = 0
    state[DAY_S] = min(DAY_SECONDS, state[DAY_S])
    return dt_s


def _follow_slope(air, state):
    """Smoothed rise in mdegc a minute, from samples at least half a minute apart."""
    if air == NO_MDEGC:
        state[SLOPE] = 0
        state[SLOPE_FROM] = NO_MDEGC
        state[SLOPE_S] = 0
        return
    if state[SLOPE_FROM] == NO_MDEGC:
        state[SLOPE_FROM] = air
        state[SLOPE_S] = 0
        return
    if state[SLOPE_S] < SLOPE_EVERY_S:
        return
    rise = (air - state[SLOPE_FROM]) * 60 // state[SLOPE_S]
    rise = max(-SLOPE_MOST, min(SLOPE_MOST, rise))
    state[SLOPE] = (state[SLOPE] + rise) // 2
    state[SLOPE_FROM] = air
    state[SLOPE_S] = 0


def _follow_scorch(air, state, settings):
    state[SETTLING] = 0
    if air == NO_MDEGC:
        state[SCORCH] = 0
        return
    if state[SCORCH] == 0:
        if air >= settings[SCORCH_AT]:
            state[SCORCH] = 1
            state[SETTLE_STAGE] = min(stages(settings), stage_of(state[TARGET], settings) + 1)
    elif air <= settings[SCORCH_AT] - SCORCH_BAND:
        state[SCORCH] = 0
        state[SETTLING] = 1
        state[SINCE_SCORCH] = 0


def _follow_wind(wind, state, settings):
    """Up at once; down only after the hold-off below the release value."""
    limit = settings[WIND_SHUT] if state[WIND_LEVEL] == 2 else settings[WIND_PART]
    if wind >= settings[WIND_SHUT]:
        state[WIND_LEVEL] = 2
        state[CALM_S] = 0
    elif wind >= settings[WIND_PART] and state[WIND_LEVEL] < 2:
        state[WIND_LEVEL] = 1
        state[CALM_S] = 0
    elif state[WIND_LEVEL] > 0:
        if wind >= limit - WIND_BAND:
            state[CALM_S] = 0
        elif state[CALM_S] >= WIND_HOLD_OFF_S:
            state[WIND_LEVEL] -= 1
            state[CALM_S] = 0


def _follow_cold(outside, state, settings):
    if outside == NO_MDEGC or outside >= settings[MIN_OUTSIDE] + COLD_BAND:
        state[COLD] = 0
    elif outside < settings[MIN_OUTSIDE]:
        state[COLD] = 1


def _battery_asks(millivolts, level, settings):
    """The level the voltage asks for; the way up has its own band."""
    if millivolts < settings[BATTERY_EMPTY]:
        return 2
    if level == 2 and millivolts < settings[BATTERY_EMPTY] + BATTERY_EMPTY_BAND:
        return 2
    if millivolts < settings[BATTERY_LOW]:
        return 1
    if level > 0 and millivolts < settings[BATTERY_LOW] + BATTERY_LOW_BAND:
        return 1
    return 0


def _follow_battery(millivolts, dt_s, state, settings):
    """A new level counts once it has been asked for BATTERY_TAKES_S: starting currents dip."""
    if millivolts == NONE:
        return
    asks = _battery_asks(millivolts, state[BATTERY_LEVEL], settings)
    if asks == state[BATTERY_LEVEL]:
        state[BATTERY_S] = 0
        return
    state[BATTERY_S] += dt_s
    if state[BATTERY_S] >= BATTERY_TAKES_S:
        state[BATTERY_LEVEL] = asks
        state[BATTERY_S] = 0


def _follow_trend(air, state):
    """How often in a row the air fell over half an hour; a rise sets it to 0."""
    if air == NO_MDEGC or state[TREND_FROM] == NO_MDEGC:
        state[TREND_FROM] = air
        state[TREND_S] = 0
        return
    if state[TREND_S] < TREND_EVERY_S:
        return
    change = air - state[TREND_FROM]
    if change >= TREND_STEP:
        state[FALLS] = 0
        state[EVENING] = 0
    elif change <= -TREND_STEP:
        state[FALLS] = min(9, state[FALLS] + 1)
        if state[FALLS] >= 2:
            state[EVENING] = 1
    state[TREND_FROM] = air
    state[TREND_S] = 0


def _follow_evening(sense, state, settings):
    """Evening by sun height; without a clock by light; without either by the air's trend."""
    sun = sense[SUN]
    light = sense[LIGHT]
    if sun != NO_SUN:
        if sun < 0:
            state[EVENING] = 1
        elif sense[AFTER_NOON] == 0 or sun >= settings[EVENING_SUN] + 100:
            state[EVENING] = 0
        elif sun < settings[EVENING_SUN]:
            state[EVENING] = 1
    elif light != NONE:
        if light < EVENING_LX:
            state[EVENING] = 1
        elif light >= MORNING_LX:
            state[EVENING] = 0
    else:
        _follow_trend(sense[AIR], state)
        return
    state[TREND_FROM] = NO_MDEGC
    state[FALLS] = 0


# --- stages -------------------------------------------------------------------
def stages(settings):
    """How many stages there are: the crack, then steps until fully open."""
    return 1 + (1000 - settings[CRACK] + settings[STAGE_WIDTH] - 1) // settings[STAGE_WIDTH]


def opening_of(stage, settings):
    """The opening of a stage in permille; stage 0 is shut."""
    if stage <= 0:
        return 0
    return min(1000, settings[CRACK] + (stage - 1) * settings[STAGE_WIDTH])


def stage_of(opening, settings):
    """The stage nearest to an opening; less than half a crack counts as shut."""
    if opening < settings[CRACK] // 2:
        return 0
    over = opening - settings[CRACK] + settings[STAGE_WIDTH] // 2
    if over < 0:
        return 1
    return min(stages(settings), 1 + over // settings[STAGE_WIDTH])


def _stage_wish(air, state, settings):
    """One stage up or down, or none: small air answers a wide opening within seconds.

    Stage k opens at open + (k - 1) x stage and closes at close + (k - 1) x stage;
    at the closing temperature itself the lid shuts from every stage. While it
    freezes outside the crack waits for one stage more of warmth.
    """
    before = state[TARGET]
    stage = stage_of(before, settings)
    opens_at = settings[OPEN_AT] + stage * settings[STAGE_STEP]
    if stage == 0 and state[COLD] == 1:
        opens_at += settings[STAGE_STEP]
    if air >= opens_at and stage < stages(settings):
        return _pair(opening_of(stage + 1, settings), WARM)
    if stage == 0:
        if state[COLD] == 1 and air >= settings[OPEN_AT]:
            return _pair(0, COLD_OUTSIDE)
        return _pair(0, COOL if air <= settings[CLOSE_AT] else IN_BAND)
    if air <= settings[CLOSE_AT]:
        return _pair(0, COOL)
    if air <= settings[CLOSE_AT] + (stage - 1) * settings[STAGE_STEP]:
        return _pair(opening_of(stage - 1, settings), COOL)
    return _pair(before, WARM if air >= opens_at - settings[STAGE_STEP] else IN_BAND)


def _pause_wanted(wish, air, state, settings):
    """The pause needed before this move, in seconds: a quarter when heat has run two stages ahead."""
    dwell = settings[DWELL]
    if wish > state[TARGET] and air != NO_MDEGC:
        stage = stage_of(state[TARGET], settings)
        if air >= settings[OPEN_AT] + (stage + 1) * settings[STAGE_STEP]:
            return min(dwell, max(QUICK_S, dwell // 4))
    return dwell


def _budget_left(wish, state, settings):
    """1 while today's travel still covers this move."""
    if state[USED] + abs(wish - state[TARGET]) <= settings[STROKES] * 1000:
        return 1
    return 0


def _held_back(pair, air, state, settings):
    """The wish, unless dwell or budget forbid it; then no move, and the reason says which.

    Opening is held back for every reason but heat ahead. Closing is held back
    only when it merely follows the band: what shuts against wind, frost, cold,
    night or a low battery, or settles after a scorch, does not wait. Blind and cold
    waits for the dwell (frost harms in hours, and what is left of the probes may
    come and go), but not for travel: a night open costs more than a stroke.
    """
    wish = pair & 1023
    reason = pair >> 10
    if wish == state[TARGET] or reason == HEAT_AHEAD:
        return pair
    follows = reason == COOL or reason == BLIND_CRACK or reason == BLIND_WARM
    if wish < state[TARGET] and not follows and reason != BLIND_COLD:
        return pair
    if state[SINCE_MOVE] < _pause_wanted(wish, air, state, settings):
        return _pair(state[TARGET], DWELLING)
    if reason == BLIND_COLD:
        return pair
    if _budget_left(wish, state, settings) == 0:
        return _pair(state[TARGET], SPENT)
    return pair


def _heat_is_ahead(air, state, settings):
    """1 when the air will scorch within AHEAD_MIN minutes at its present rise."""
    if state[SLOPE] < SLOPE_URGENT or air < settings[OPEN_AT] or state[SINCE_MOVE] < QUICK_S:
        return 0
    if air + AHEAD_MIN * state[SLOPE] < settings[SCORCH_AT]:
        return 0
    return 1 if stage_of(state[TARGET], settings) < stages(settings) else 0


def _by_temperature(air, state, settings):
    """Hysteresis, heat ahead, evening, cold outside and frost, the lowest rank first."""
    if state[SETTLING] == 1:
        pair = _pair(min(state[TARGET], opening_of(state[SETTLE_STAGE], settings)), SETTLED)
    elif _heat_is_ahead(air, state, settings):
        pair = _pair(opening_of(stage_of(state[TARGET], settings) + 1, settings), HEAT_AHEAD)
    else:
        pair = _stage_wish(air, state, settings)
    if state[EVENING] == 1 and air < settings[SCORCH_AT] - NEAR_SCORCH:
        pair = _pair(0, AT_EVENING)
    if state[COLD] == 1:
        most = settings[CRACK]
        if state[SINCE_SCORCH] < SCORCH_MEMORY_S:
            most = max(most, opening_of(state[SETTLE_STAGE], settings))
        if (pair & 1023) > most:
            pair = _pair(most, COLD_OUTSIDE)
    if air < settings[FROST_AT]:
        pair = _pair(0, FROST)
    return pair


# --- blind: no trustworthy air probe --------------------------------------------
def _frost_season(day, north):
    """1 when frost is likely by the calendar; unknown days count as no."""
    if day <= 0:
        return 0
    if north == 0:
        day = day - HALF_YEAR if day > HALF_YEAR else day + HALF_YEAR
    return 1 if day >= SEASON_FROM or day <= SEASON_TO else 0


def _blind_wish(sense, state, settings):
    """A safe opening from bed, sun, season and outdoors.

    Heat harms in minutes, frost in hours: where nothing speaks against it the
    lid stands a crack open. Night, frost outside, a freezing bed, and the frost
    season under a low sun speak against it. Each has its own reason, so that
    an alarm always follows.
    """
    outside = sense[OUTSIDE]
    soil = sense[SOIL]
    crack = settings[BLIND_OPENING]
    bed_warm = soil != NO_MDEGC and soil >= settings[OPEN_AT]
    if state[EVENING] == 1:
        return _pair(0, BLIND_NIGHT)
    if soil != NO_MDEGC and soil < settings[FROST_AT]:
        return _pair(0, BLIND_COLD)
    if state[COLD] == 1:
        return _pair(crack, BLIND_CRACK) if bed_warm else _pair(0, BLIND_COLD)
    if outside != NO_MDEGC and outside >= settings[OPEN_AT]:
        return _pair(opening_of(3, settings), BLIND_WARM)
    if soil != NO_MDEGC and soil >= settings[SCORCH_AT] - BLIND_SOIL:
        return _pair(opening_of(2, settings), BLIND_WARM)
    if outside == NO_MDEGC and not bed_warm and sense[SUN] < HIGH_SUN:
        # NO_SUN is below every height, but then the day is unknown and no season either.
        if _frost_season(sense[DAY_OF_YEAR], sense[NORTH]) == 1:
            return _pair(0, BLIND_COLD)
    return _pair(crack, BLIND_CRACK)


# --- the ranks --------------------------------------------------------------------
def _scorch_opening(state):
    """Full, or what the wind leaves of it."""
    if state[WIND_LEVEL] == 2:
        return _pair(SCORCH_SHUT_OPENING, SCORCH_WIND)
    if state[WIND_LEVEL] == 1:
        return _pair(SCORCH_PART_OPENING, SCORCH_WIND)
    return _pair(1000, SCORCHING)


def _saving(pair, air, state, settings):
    """Battery low: shut while energy remains when it is not warm; never open further.

    Blind it only opens no further: a crack by day is the safe position, and shutting
    a frame whose air nobody knows could cook it.
    """
    if air != NO_MDEGC and air < settings[OPEN_AT]:
        return _pair(0, LOW) if (pair & 1023) > 0 else pair
    if (pair & 1023) > state[TARGET]:
        return _pair(state[TARGET], LOW)
    return pair


def _against_wind(pair, state):
    wish = pair & 1023
    if state[WIND_LEVEL] == 2 and wish > 0:
        return _pair(0, WINDY_SHUT)
    if state[WIND_LEVEL] == 1 and wish > WIND_PART_OPENING:
        return _pair(WIND_PART_OPENING, WINDY_PART)
    return pair


def _rank(sense, state, settings):
    """The answer of the highest rank that has something to say."""
    stays = sense[POSITION] if sense[POSITION] >= 0 else state[TARGET]
    if sense[HOLD] != 0:
        return _pair(stays, HELD)
    if sense[LID_FAULT] != 0:
        return _pair(stays, FAULTY)
    if state[BATTERY_LEVEL] == 2:
        return _pair(stays, EMPTY)
    if state[SCORCH] == 1:
        return _scorch_opening(state)
    air = sense[AIR]
    if air == NO_MDEGC:
        pair = _blind_wish(sense, state, settings)
    else:
        pair = _by_temperature(air, state, settings)
    if state[BATTERY_LEVEL] == 1:
        pair = _saving(pair, air, state, settings)
    return _held_back(_against_wind(pair, state), air, state, settings)


def _lockouts(sense, state, settings):
    """Bits of everything that restrains the lid at this moment."""
    bits = 0
    if sense[HOLD] != 0:
        bits += HOLD_BIT
    if sense[LID_FAULT] != 0:
        bits += FAULT_BIT
    if state[WIND_LEVEL] > 0:
        bits += WIND_BIT
    if state[BATTERY_LEVEL] > 0:
        bits += BATTERY_BIT
    if state[COLD] == 1:
        bits += COLD_BIT
    if state[EVENING] == 1:
        bits += EVENING_BIT
    if state[SINCE_MOVE] < settings[DWELL]:
        bits += DWELL_BIT
    if state[USED] >= settings[STROKES] * 1000:
        bits += BUDGET_BIT
    if sense[AIR] == NO_MDEGC:
        bits += BLIND_BIT
    return bits


def decide(sense, state, settings):
    """Return the answer and bring `state` up to date; see the head of this file."""
    dt_s = _follow_time(sense, state)
    _follow_slope(sense[AIR], state)
    _follow_scorch(sense[AIR], state, settings)
    _follow_wind(sense[WIND], state, settings)
    _follow_cold(sense[OUTSIDE], state, settings)
    _follow_battery(sense[BATTERY], dt_s, state, settings)
    _follow_evening(sense, state, settings)
    pair = _rank(sense, state, settings)
    target = pair & 1023
    reason = pair >> 10
    if reason == HELD or reason == FAULTY or reason == EMPTY:
        # Whoever moved the lid, it was not this law: no travel is counted.
        state[TARGET] = target
    elif target != state[TARGET]:
        state[USED] = min(1000000, state[USED] + abs(target - state[TARGET]))
        state[TARGET] = target
        state[SINCE_MOVE] = 0
    return pair + 65536 * _lockouts(sense, state, settings)


def ice_risk(air_mdegc, outside_mdegc, wet):
    """1 when a wet seal may be frozen to the rim: a short, weak try only."""
    if wet == 0:
        return 0
    coldest = air_mdegc
    if outside_mdegc != NO_MDEGC and (coldest == NO_MDEGC or outside_mdegc < coldest):
        coldest = outside_mdegc
    return 1 if coldest != NO_MDEGC and coldest <= ICE_MDEGC else 0


# --- what is worth telling ------------------------------------------------------
# These compare temperatures with setpoints, too, so they live here.
OPEN_ENOUGH = const(20)           # permille: a lid up to this far counts as shut
WIDE_OPEN = const(800)


def open_in_frost(air_mdegc, position_permille, settings):
    """1 when the lid is open, or nobody knows, while the inside is below the frost value."""
    if air_mdegc == NO_MDEGC or air_mdegc >= settings[FROST_AT]:
        return 0
    return 1 if position_permille == NONE or position_permille > OPEN_ENOUGH else 0


def hot_though_open(air_mdegc, position_permille, settings):
    """1 when the inside scorches although the lid is wide open."""
    if air_mdegc == NO_MDEGC or position_permille < WIDE_OPEN:
        return 0
    return 1 if air_mdegc > settings[SCORCH_AT] else 0


def hot_though_shut(air_mdegc, position_permille, settings):
    """1 when the inside scorches and the lid is not wide open."""
    if air_mdegc == NO_MDEGC or position_permille >= WIDE_OPEN:
        return 0
    return 1 if air_mdegc >= settings[SCORCH_AT] else 0


def order_harms(opening_permille, air_mdegc, wind_level, settings):
    """1 when an ordered opening would scorch or freeze the bed, 2 when the wind forbids it, else 0."""
    if air_mdegc != NO_MDEGC:
        if opening_permille < WIDE_OPEN and air_mdegc >= settings[SCORCH_AT]:
            return 1
        if opening_permille > OPEN_ENOUGH and air_mdegc < settings[FROST_AT]:
            return 1
    return 2 if wind_level == 2 and opening_permille > OPEN_ENOUGH else 0
