"""What the engine remembers of an alarm and what it gives out: where an alarm stands, a message, a change of state."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from .evidence import Fact
from .states import NORMAL

ALERT, REMINDER, ALL_CLEAR, GROUP, LIFE = "alert", "reminder", "all-clear", "group", "life"
FIRST, SECOND = "first", "second"


@dataclass
class Standing:
    """Where one alarm of one frame stands; every field goes into the store as it is.

    `state` is one of states.STATES. `due` is the message that waits to be sent, `said` the last one that the
    grower got about this incident; both are "", "alert" or "all-clear".
    """

    frame: str
    alarm: str
    state: str = NORMAL
    incident: int = 0
    true_s: float | None = None
    false_s: float | None = None
    opened_s: float | None = None
    closed_s: float | None = None
    due: str = ""
    said: str = ""
    told: int = 0
    told_s: float | None = None
    reminded: int = 0
    second_s: float | None = None
    ack_s: float | None = None
    ack_by: str = ""
    still_told: bool = False
    shelf_end_s: float | None = None
    covered_by: str = ""
    condition: bool = False  # the condition after its delays
    low_degc: float | None = None  # frost only: the coldest of this incident,
    spell_degc: float | None = None  # the coldest of the incidents before it in the same spell,
    spell_end_s: float | None = None  # and when the last of them ended
    facts: dict[str, Fact] = field(default_factory=dict)

    def __repr__(self) -> str:
        return f"<{self.frame}/{self.alarm} {self.state} #{self.incident} told {self.told}>"

    def to_dict(self) -> dict[str, Any]:
        """Return a plain dictionary for the store."""
        return asdict(self)


@dataclass(frozen=True)
class Message:
    """To be sent: kind, urgency, what it is about (copies as they stand now), and on which channels."""

    kind: str
    priority: str
    standings: tuple[Standing, ...]
    channel: str = FIRST


@dataclass(frozen=True)
class Change:
    """To be logged: one alarm went from one state to another."""

    standing: Standing
    from_state: str
    to_state: str
    why: str


Action = Message | Change
