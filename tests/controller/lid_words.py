"""The words of a drive's figures, for every lid on the desk."""

from __future__ import annotations

from sash import lid_table
from sash.lid_motion import Motion


class Words:
    """Reads state, fault and doubt of `motion` as words."""

    motion: Motion

    @property
    def state(self) -> str:
        """Word of the state."""
        return lid_table.STATES[self.motion.state]

    @property
    def fault(self) -> str:
        """Word of the fault."""
        return lid_table.FAULTS[self.motion.fault]

    @property
    def doubt(self) -> str:
        """Word of the doubt."""
        return lid_table.FAULTS[self.motion.doubt]
