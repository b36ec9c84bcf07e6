"""Where the lid is between its ends, by time or potentiometer, and how fast it really goes.

The place is milliseconds of travel from shut, at the fitted travel time and full power;
NONE when unknown. End switches put it right. What drives and why is lid_motion.py's.
Nothing here allocates on the board.
"""

from .lid_table import STUCK_OPEN, STUCK_PART, STUCK_SHUT
from .reading import NONE, OPEN_DIRECTION, SHUT_DIRECTION

# All chosen by us.
NEAR = 50                   # permille: this close to an end by time counts as there
NOT_AT_END = 30             # permille: a stuck lid whose end switch is not made is at least this far from that end
EARLY = 600                 # permille of the expected travel: an end reached sooner is doubted ...
EARLY_LEAST = 70            # ... unless so few permille of the whole travel are missing ...
EARLY_A_DRIVE = 20          # ... and this many more for each drive since an end was last seen ...
EARLY_MOST = 200            # ... up to this many
LEARN_LEAST = 60            # permille of travel from which a drive teaches how fast the lid goes
LEARN_LOW, LEARN_HIGH = 500, 1500   # permille of the fitted travel time that learning keeps within


class Place:
    """The lid's place, that of the running drive's beginning, and the way driven since."""

    def __init__(self, travel_ms, has_pot, position_permille):
        self.travel_ms = travel_ms
        self.has_pot = has_pot
        self.at_ms = NONE
        if 0 <= position_permille <= 1000:
            self.at_ms = position_permille * travel_ms // 1000
        # Full travel opening and shutting, at full power: a lid comes down faster than it goes up.
        self.open_ms = travel_ms
        self.shut_ms = travel_ms
        self.start_ms = NONE        # where the drive began
        self.work_ms = 0            # time driven since, weighted with the power given
        self.drives = 0             # since an end was last proved

    @property
    def permille(self):
        """Where the lid is, NONE when unknown."""
        if self.at_ms == NONE:
            return NONE
        return self.at_ms * 1000 // self.travel_ms

    def restore_times(self, open_ms, shut_ms):
        """Take over what was learned before the power cut, if it can be true."""
        if self._can_be(open_ms) and self._can_be(shut_ms):
            self.open_ms = open_ms
            self.shut_ms = shut_ms

    # --- a drive -----------------------------------------------------------------------
    def begin(self):
        """A drive begins here."""
        self.start_ms = self.at_ms
        self.drives += 1
        self.work_ms = 0

    def drive(self, direction, dt_ms, duty_permille, moves):
        """Time passes with the motor on. moves: 0 when what is driven only winds or unwinds arm and wood."""
        full_ms = self.open_ms if direction == OPEN_DIRECTION else self.shut_ms
        # In milliseconds of the nominal travel time, however fast this direction really is.
        work = dt_ms * duty_permille // 1000 * self.travel_ms // full_ms
        self.work_ms += work
        if self.at_ms != NONE and not self.has_pot and moves:
            self.at_ms += work * direction
            self.at_ms = max(0, min(self.travel_ms, self.at_ms))

    def measure(self, pot_permille):
        """Take the potentiometer's word, where there is one."""
        if self.has_pot and pot_permille != NONE:
            self.at_ms = max(0, min(1000, pot_permille)) * self.travel_ms // 1000

    def put(self, at_ms):
        """A switch says where the lid is; that outranks time."""
        self.at_ms = at_ms

    def lose(self):
        """It moved without being driven: only a potentiometer still knows."""
        if not self.has_pot:
            self.at_ms = NONE

    # --- how far -----------------------------------------------------------------------
    def end_ms(self, direction):
        """The end ahead."""
        return self.travel_ms if direction == OPEN_DIRECTION else 0

    def began_behind(self, direction):
        """1 when the drive began at the end behind it."""
        return 1 if self.start_ms == self.travel_ms - self.end_ms(direction) else 0

    def began_at_an_end(self):
        """1 when the drive began at an end, whichever."""
        return 1 if self.start_ms == 0 or self.start_ms == self.travel_ms else 0

    def began_between(self):
        """1 when the drive began well away from both ends."""
        margin = self.travel_ms * NEAR // 1000
        return margin < self.start_ms < self.travel_ms - margin

    def work_to(self, goal_permille):
        """Work from the start of the drive to its goal, in milliseconds at full power."""
        if self.start_ms == NONE:
            return self.travel_ms
        return abs(goal_permille * self.travel_ms // 1000 - self.start_ms)

    def past(self, goal_permille, by_permille):
        """1 when more than the way to the goal was driven, by so much of the whole travel or more."""
        return self.work_ms >= self.work_to(goal_permille) + self.travel_ms * by_permille // 1000

    def reached(self, goal_permille, direction):
        """1 when by time or potentiometer an opening between the ends is reached."""
        if self.at_ms == NONE:
            return 0
        goal_ms = goal_permille * self.travel_ms // 1000
        return self.at_ms >= goal_ms if direction == OPEN_DIRECTION else self.at_ms <= goal_ms

    def near_end(self, direction):
        """1 when by time or potentiometer the end ahead is as good as reached."""
        if self.at_ms == NONE:
            return 1 if self.work_ms * 1000 >= self.travel_ms * (1000 - NEAR) else 0
        if direction == OPEN_DIRECTION:
            return 1 if self.permille >= 1000 - NEAR else 0
        return 1 if self.permille <= NEAR else 0

    # --- an end is reached ---------------------------------------------------------------
    def arrive(self, direction, teaches):
        """The switch of the end ahead is made. Return 1 when that is far too early; learn from it when not."""
        end_ms = self.end_ms(direction)
        expected = NONE if self.start_ms == NONE else abs(end_ms - self.start_ms)
        early = 1 if expected != NONE and self.too_early(expected) else 0
        if not early and teaches:
            self.learn(direction, expected)
        self.drives = 0
        self.put(end_ms)
        return early

    def too_early(self, expected):
        """1 when far less way was driven than was thought to be left."""
        if self.work_ms * 1000 >= expected * EARLY:
            return 0
        # By time alone the position grows worse with every drive between the ends.
        allowed = NEAR if self.has_pot else min(EARLY_MOST, EARLY_LEAST - EARLY_A_DRIVE + EARLY_A_DRIVE * self.drives)
        return 1 if expected - self.work_ms > self.travel_ms * allowed // 1000 else 0

    def learn(self, direction, expected):
        """An end at another time than expected tells how fast the lid really goes this way.

        Only drives whose beginning was sure teach: from the other end, or shutting from an opening
        that one drive from the shut end has reached. Half of each difference is taken over.
        """
        if self.has_pot or self.start_ms == NONE:
            return
        if self.drives > (1 if direction == OPEN_DIRECTION else 2):
            return
        if expected * 1000 < self.travel_ms * LEARN_LEAST:
            return
        old_ms = self.open_ms if direction == OPEN_DIRECTION else self.shut_ms
        new_ms = (old_ms + old_ms * self.work_ms // expected) // 2
        if not self._can_be(new_ms):
            return
        if direction == OPEN_DIRECTION:
            self.open_ms = new_ms
        else:
            self.shut_ms = new_ms

    def _can_be(self, full_ms):
        return LEARN_LOW * self.travel_ms <= full_ms * 1000 <= LEARN_HIGH * self.travel_ms

    # --- it got stuck --------------------------------------------------------------------
    def where_stuck(self, direction, at_shut, at_open, drive_ms):
        """Which fault tells the grower where the lid stands; puts the place right as far as known."""
        if at_shut == 1:
            self.put(0)
            return STUCK_SHUT
        if at_open == 1:
            self.put(self.travel_ms)
            return STUCK_OPEN
        margin = self.travel_ms * NEAR // 1000
        least = self.travel_ms * NOT_AT_END // 1000
        if self.start_ms != NONE and self.at_ms != NONE:
            # Held by a latch with some play it has opened its switch, but it has not left its end:
            # much of that time went into wood and screw.
            if direction == OPEN_DIRECTION and self.start_ms <= least and self.at_ms <= 2 * margin:
                self.at_ms = min(self.at_ms, least)
                return STUCK_SHUT
            if direction == SHUT_DIRECTION and self.start_ms >= self.travel_ms - least:
                if self.at_ms >= self.travel_ms - 2 * margin:
                    return STUCK_OPEN
        if not self.has_pot and drive_ms >= self.travel_ms:
            self.at_ms = NONE       # it ran the whole time and is at neither end
        if self.at_ms != NONE:
            # Not shut, whatever time says; one that failed to open is not thought further open for that.
            if at_shut == 0 and direction == SHUT_DIRECTION:
                self.at_ms = max(self.at_ms, least)
            if at_open == 0:
                self.at_ms = min(self.at_ms, self.travel_ms - least)
        return STUCK_PART
