"""A small bench for the law: one noon with everything calm, and ways to disturb it."""

from __future__ import annotations

from sash import lid_law as law
from sash import settings


class Bench:
    """Sense, state and settings of one frame; `step` asks the law once.

    Starts at noon, 8 C outside, lid on stage 2 (400 permille), last moved long ago.
    """

    def __init__(self, **changes: int) -> None:
        wide = {"crack_permille": 100, "stage_permille": 300}  # easy to tell apart in a test
        self.settings = list(settings.law_values(settings.merge(settings.defaults(), {**wide, **changes})))
        self.state = list(law.START)
        self.state[law.TARGET] = 400
        self.state[law.DAY] = 80
        self.sense = [0] * len(law.SENSE)
        self.see(
            dt_s=1, air_mdegc=14_000, outside_mdegc=8_000, soil_mdegc=9_000, sun_cdeg=3_000, day_of_year=80,
            wind_mms=0, battery_mv=12_600, light_lx=law.NONE, position_permille=400, north=1,
        )  # fmt: skip

    def see(self, **values: int) -> Bench:
        """Set what the frame senses, by slot name."""
        for name, value in values.items():
            self.sense[law.SENSE.index(name)] = value
        return self

    def remember(self, **values: int) -> Bench:
        """Set the law's memory, by slot name."""
        for name, value in values.items():
            self.state[law.STATE.index(name)] = value
        return self

    def step(self, dt_s: int = 1, **values: int) -> tuple[int, str]:
        """Ask once; returns target and reason. The lid follows at once."""
        answer = law.decide(self.see(dt_s=dt_s, **values).sense, self.state, self.settings)
        self.answer = answer
        self.sense[law.POSITION] = law.target_of(answer)
        return law.target_of(answer), law.REASONS[law.reason_of(answer)]

    def run(self, seconds: int, dt_s: int = 10, **values: int) -> tuple[int, str]:
        """Ask again and again for some time; returns the last answer."""
        result = (0, "")
        for _ in range(seconds // dt_s):
            result = self.step(dt_s, **values)
        return result

    @property
    def lockouts(self) -> list[str]:
        """Words of the last answer's lockouts."""
        bits = law.lockouts_of(self.answer)
        return [word for bit, word in enumerate(law.LOCKOUTS) if bits >> bit & 1]
