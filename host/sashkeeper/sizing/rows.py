"""A verdict is a list of rows; the worst row decides."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Verdict(Enum):
    """How a row, or the whole sizing, came out. The order is from good to bad."""

    SOUND = "sound"
    REPORT = "report"  # a figure to know, without a limit of ours
    CONDITION = "sound only if"
    REFUSED = "refused"

    @property
    def rank(self) -> int:
        """0 good ... 3 bad."""
        return list(Verdict).index(self)


@dataclass(frozen=True)
class Row:
    """One checked figure.

    id      requirement it answers (SAF-1 ... of hardware/cautions.md), or "" for a plain sum
    what    what was looked at
    value   the figure with its unit
    limit   the limit with its unit, "" where there is none
    verdict how it came out
    advice  what to do, "" when nothing is to do
    """

    id: str
    what: str
    value: str
    limit: str
    verdict: Verdict
    advice: str = ""


def worst(rows: list[Row]) -> Verdict:
    """The verdict of the whole: refused, sound only if ..., or sound."""
    found = max((row.verdict for row in rows), key=lambda verdict: verdict.rank, default=Verdict.SOUND)
    return Verdict.SOUND if found is Verdict.REPORT else found


def advice_of(rows: list[Row], verdict: Verdict) -> list[str]:
    """What to do about every row that came out as `verdict`, in the order of the rows."""
    return [row.advice for row in rows if row.verdict is verdict and row.advice]
