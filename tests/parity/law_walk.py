"""A long random walk through the law, the same on every interpreter.

Run as a script it prints, for each part of the walk, a hash of all answers and states, and
which reasons and lockouts occurred. It runs on MicroPython, on CPython, and its
functions are compiled by the parity test. Only whole numbers below 2**30 are
used, so the small numbers of a board would do.
"""


def roll(dice, low, high):
    """A whole number from low to high out of three small generators.

    Multipliers and moduli: Wichmann and Hill 1982, "Algorithm AS 183", Applied Statistics 31(2)
    (from memory; any fixed sequence would do here). The way of joining them is our own.
    """
    dice[0] = dice[0] * 171 % 30269
    dice[1] = dice[1] * 172 % 30307
    dice[2] = dice[2] * 170 % 30323
    return low + ((dice[0] << 5) ^ (dice[1] << 10) ^ dice[2]) % (high - low + 1)


def mix(total, value):
    """Fold a number into a hash of 29 bits."""
    return ((total * 31) ^ (value & 0x3FFFFFF)) & 0xFFFFFF


def draw_settings(dice, settings):
    """New settings within their limits, the rules between them kept."""
    settings[1] = roll(dice, 1000, 15000)
    settings[0] = settings[1] + roll(dice, 2000, 10000)
    settings[2] = roll(dice, 1000, 6000)
    settings[3] = max(25000, settings[0] + 3000) + roll(dice, 0, 5000)
    settings[4] = roll(dice, -2000, min(6000, settings[1]))
    settings[5] = roll(dice, -3000, 5000)
    settings[6] = roll(dice, 50, 300)
    settings[7] = roll(dice, 100, 1000)
    settings[8] = roll(dice, 60, 1800)
    settings[9] = roll(dice, 6, 40)
    settings[10] = roll(dice, 4000, 10000)
    settings[11] = settings[10] + roll(dice, 1000, 5000)
    settings[12] = roll(dice, 0, 2500)
    settings[13] = roll(dice, 0, 300)
    settings[14] = 11800
    settings[15] = 11400


def draw_sense(dice, sense, state):
    """One step of weather: the air drifts, everything else changes now and then."""
    sense[0] = roll(dice, 1, 120)
    what = roll(dice, 0, 149)
    if sense[1] > -90000:
        sense[1] += roll(dice, -2500, 2500) + (15000 - sense[1]) // 64
    elif what > 140:
        sense[1] = roll(dice, -5000, 40000)  # the probe answers again
    if what == 1:
        sense[1] = -999999
    elif what < 5:
        sense[2] = -999999 if what == 2 else roll(dice, -8000, 28000)
    elif what < 8:
        sense[3] = -999999 if what == 5 else roll(dice, -3000, 30000)
    elif what < 20:
        sense[4] = -99999 if what < 10 else roll(dice, -500, 6000)
        sense[5] = roll(dice, 0, 1)
    elif what == 20:
        sense[6] = roll(dice, 0, 366)
    elif what < 25:
        sense[7] = -1 if what == 21 else roll(dice, 0, 16000)
    elif what < 29:
        sense[8] = -1 if what == 25 else roll(dice, 11300, 13500)
    elif what < 32:
        sense[9] = -1 if what < 31 else roll(dice, 0, 40000)
    elif what == 32:
        sense[1] += 15000
    elif what == 33:
        sense[13] = roll(dice, 0, 1)
    elif what == 34:
        sense[4] = -99999
        sense[9] = -1
    sense[10] = 1 if what == 40 else 0
    sense[11] = 1 if what == 41 else 0
    sense[12] = -1 if what == 42 else state[0]


def walk(steps, dice, sense, state, settings, seen):
    """Take `steps` steps; counts reasons and lockouts in `seen`; returns the hash."""
    total = 0
    for step in range(steps):
        if step % 500 == 0:
            draw_settings(dice, settings)
        draw_sense(dice, sense, state)
        answer = decide(sense, state, settings)  # noqa: F821  given by whoever loads this file
        total = mix(total, answer)
        for slot in range(21):
            total = mix(total, state[slot])
        seen[(answer >> 10) & 63] += 1
        bits = answer >> 16
        for bit in range(9):
            if bits >> bit & 1:
                seen[32 + bit] += 1
    return total
