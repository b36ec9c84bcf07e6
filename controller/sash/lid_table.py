"""Everything that changes the lid's state is in this table.

state      what the grower sees                        what the motor does
unknown    lid somewhere, nothing to go by             off, or gently towards an end
shut       lid down                                    off
opening    lid rising                                  opens
part       lid between the ends                        off
open       lid fully up                                off
shutting   lid coming down                             shuts
stuck      lid did not do what it was told             off; tries again after a pause, or never
held       hands in the frame                          off, whatever is wanted

lid_motion.py turns readings into events and asks `after`. The table in
docs/decisions/lid-drive.md is drawn from it; a test visits every cell.
"""

STATES = ("unknown", "shut", "opening", "part", "open", "shutting", "stuck", "held")
UNKNOWN, SHUT, OPENING, PART, OPEN, SHUTTING, STUCK, HELD = range(8)

EVENTS = ("told_open", "told_shut", "told_stop", "reached_shut", "reached_open", "reached_part",
          "travel_over", "over_current", "no_current", "wrong_end", "both_switches",
          "moved_alone", "lost", "hold_on", "hold_off", "cleared")
(TOLD_OPEN, TOLD_SHUT, TOLD_STOP, REACHED_SHUT, REACHED_OPEN, REACHED_PART,
 TRAVEL_OVER, OVER_CURRENT, NO_CURRENT, WRONG_END, BOTH_SWITCHES,
 MOVED_ALONE, LOST, HOLD_ON, HOLD_OFF, CLEARED) = range(16)

# Rows: the event, in the order of EVENTS; columns: the state now, in the order of
# STATES; the cell is the state after. Every cell is filled: an event that means
# nothing in a state leaves it as it is.
NEXT = (
    # unknown   shut      opening   part      open      shutting  stuck     held
    (OPENING,  OPENING,  OPENING,  OPENING,  OPEN,     SHUTTING, OPENING,  HELD),   # told_open
    (SHUTTING, SHUT,     OPENING,  SHUTTING, SHUTTING, SHUTTING, SHUTTING, HELD),   # told_shut
    (UNKNOWN,  SHUT,     PART,     PART,     OPEN,     PART,     STUCK,    HELD),   # told_stop
    (SHUT,     SHUT,     SHUT,     SHUT,     SHUT,     SHUT,     SHUT,     HELD),   # reached_shut
    (OPEN,     OPEN,     OPEN,     OPEN,     OPEN,     OPEN,     OPEN,     HELD),   # reached_open
    (PART,     PART,     PART,     PART,     PART,     PART,     STUCK,    HELD),   # reached_part
    (STUCK,    SHUT,     STUCK,    PART,     OPEN,     STUCK,    STUCK,    HELD),   # travel_over
    (STUCK,    STUCK,    STUCK,    STUCK,    STUCK,    STUCK,    STUCK,    HELD),   # over_current
    (STUCK,    SHUT,     STUCK,    PART,     OPEN,     STUCK,    STUCK,    HELD),   # no_current
    (UNKNOWN,  UNKNOWN,  STUCK,    UNKNOWN,  UNKNOWN,  STUCK,    STUCK,    HELD),   # wrong_end
    (STUCK,    STUCK,    STUCK,    STUCK,    STUCK,    STUCK,    STUCK,    HELD),   # both_switches
    (UNKNOWN,  UNKNOWN,  UNKNOWN,  UNKNOWN,  UNKNOWN,  UNKNOWN,  STUCK,    HELD),   # moved_alone
    (UNKNOWN,  UNKNOWN,  UNKNOWN,  UNKNOWN,  UNKNOWN,  UNKNOWN,  STUCK,    HELD),   # lost
    (HELD,     HELD,     HELD,     HELD,     HELD,     HELD,     HELD,     HELD),   # hold_on
    (UNKNOWN,  SHUT,     OPENING,  PART,     OPEN,     SHUTTING, STUCK,    UNKNOWN), # hold_off
    (UNKNOWN,  SHUT,     OPENING,  PART,     OPEN,     SHUTTING, UNKNOWN,  HELD),   # cleared
)


def after(state, event):
    """The state after an event."""
    return NEXT[event][state]


# Why the lid is not where it should be; numbers inside, words outside.
FAULTS = ("", "stuck-shut", "stuck-open", "stuck-part", "lost-position", "switches-both",
          "over-current", "motor-dead", "moved-alone")
(WELL, STUCK_SHUT, STUCK_OPEN, STUCK_PART, LOST_POSITION, BOTH_MADE,
 TOO_MUCH_CURRENT, MOTOR_DEAD, LIFTED) = range(9)
