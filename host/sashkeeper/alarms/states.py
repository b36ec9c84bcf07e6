"""The life cycle of one alarm: everything that changes an alarm's state is in this table.

After ISA-18.2-2016 / IEC 62682 (state names are ours; the states are theirs). Latched states are left
out: nothing here needs a reset beyond acknowledging.

NORMAL          nothing wrong, nothing to do.
UNACKNOWLEDGED  wrong now, nobody has said "I know".
ACKNOWLEDGED    wrong now, somebody knows.
RETURNED        right again before anybody said "I know".
SHELVED         the grower asked for silence until a stated time; the alarm waits.
SUPPRESSED      silent by design: a named mode or a worse alarm of the same frame covers it.
OUT_OF_SERVICE  taken out by hand, for example while a probe is being replaced.

The engine decides *when* an event happens (delays, ends of shelving); this file only says what follows.
`BACK_*` events end whichever quiet state the alarm is in: the condition is looked at again, so a still
true alarm comes back as unacknowledged.
"""

from __future__ import annotations

NORMAL = "normal"
UNACKNOWLEDGED = "unacknowledged"
ACKNOWLEDGED = "acknowledged"
RETURNED = "returned-unacknowledged"
SHELVED = "shelved"
SUPPRESSED = "suppressed"
OUT_OF_SERVICE = "out-of-service"

STATES = (NORMAL, UNACKNOWLEDGED, ACKNOWLEDGED, RETURNED, SHELVED, SUPPRESSED, OUT_OF_SERVICE)

RISES = "rises"  # the condition held for its on-delay
CLEARS = "clears"  # the condition was away for its off-delay
ACKNOWLEDGE = "acknowledge"
SHELVE = "shelve"
SUPPRESS = "suppress"
TAKE_OUT = "take-out"
BACK_TRUE = "back-true"  # a quiet state ends and the condition holds
BACK_CLEAR = "back-clear"  # a quiet state ends and all is well

EVENTS = (RISES, CLEARS, ACKNOWLEDGE, SHELVE, SUPPRESS, TAKE_OUT, BACK_TRUE, BACK_CLEAR)

# Every cell is filled. A cell equal to its own row means: nothing changes.
NEXT: dict[str, dict[str, str]] = {
    NORMAL: {
        RISES: UNACKNOWLEDGED,
        CLEARS: NORMAL,
        ACKNOWLEDGE: NORMAL,
        SHELVE: SHELVED,
        SUPPRESS: SUPPRESSED,
        TAKE_OUT: OUT_OF_SERVICE,
        BACK_TRUE: NORMAL,
        BACK_CLEAR: NORMAL,
    },
    UNACKNOWLEDGED: {
        RISES: UNACKNOWLEDGED,
        CLEARS: RETURNED,
        ACKNOWLEDGE: ACKNOWLEDGED,
        SHELVE: SHELVED,
        SUPPRESS: SUPPRESSED,
        TAKE_OUT: OUT_OF_SERVICE,
        BACK_TRUE: UNACKNOWLEDGED,
        BACK_CLEAR: UNACKNOWLEDGED,
    },
    ACKNOWLEDGED: {
        RISES: ACKNOWLEDGED,
        CLEARS: NORMAL,
        ACKNOWLEDGE: ACKNOWLEDGED,
        SHELVE: SHELVED,
        SUPPRESS: SUPPRESSED,
        TAKE_OUT: OUT_OF_SERVICE,
        BACK_TRUE: ACKNOWLEDGED,
        BACK_CLEAR: ACKNOWLEDGED,
    },
    RETURNED: {
        RISES: UNACKNOWLEDGED,
        CLEARS: RETURNED,
        ACKNOWLEDGE: NORMAL,
        SHELVE: SHELVED,
        SUPPRESS: SUPPRESSED,
        TAKE_OUT: OUT_OF_SERVICE,
        BACK_TRUE: RETURNED,
        BACK_CLEAR: RETURNED,
    },
    SHELVED: {
        # Rising and clearing go unheard until the shelf ends; the engine remembers the condition.
        RISES: SHELVED,
        CLEARS: SHELVED,
        ACKNOWLEDGE: SHELVED,
        SHELVE: SHELVED,
        SUPPRESS: SUPPRESSED,
        TAKE_OUT: OUT_OF_SERVICE,
        BACK_TRUE: UNACKNOWLEDGED,
        BACK_CLEAR: NORMAL,
    },
    SUPPRESSED: {
        RISES: SUPPRESSED,
        CLEARS: SUPPRESSED,
        ACKNOWLEDGE: SUPPRESSED,
        # The grower's wish outlives the design's: the end of the shelf is kept beside the state.
        SHELVE: SHELVED,
        SUPPRESS: SUPPRESSED,
        TAKE_OUT: OUT_OF_SERVICE,
        BACK_TRUE: UNACKNOWLEDGED,
        BACK_CLEAR: NORMAL,
    },
    OUT_OF_SERVICE: {
        RISES: OUT_OF_SERVICE,
        CLEARS: OUT_OF_SERVICE,
        ACKNOWLEDGE: OUT_OF_SERVICE,
        SHELVE: OUT_OF_SERVICE,
        SUPPRESS: OUT_OF_SERVICE,
        TAKE_OUT: OUT_OF_SERVICE,
        BACK_TRUE: UNACKNOWLEDGED,
        BACK_CLEAR: NORMAL,
    },
}

QUIET_STATES = (SHELVED, SUPPRESSED, OUT_OF_SERVICE)
STANDING_STATES = (UNACKNOWLEDGED, ACKNOWLEDGED)


def after(state: str, event: str) -> str:
    """Return the state that follows; an unknown state or event raises ValueError naming both."""
    try:
        return NEXT[state][event]
    except KeyError:
        raise ValueError(f"no cell for alarm state {state!r} and event {event!r}") from None
