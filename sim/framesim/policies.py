"""Ways to run a lid through a season. Plain figures; season_loop.py carries them out.

closed, fixed and two_point move at once (as the independent reference does). The passive
opener follows its wax. The law and any other decision rule see a lagging probe and
move a lid that takes time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

CLOSED, FIXED, TWO_POINT, PASSIVE, SCHEDULE, LAW = range(6)


class PolicyError(ValueError):
    """A lid rule that cannot be read, said in one sentence."""


@dataclass(frozen=True)
class Policy:
    """A lid rule: kind and its figures."""

    kind: int
    label: str
    figures: tuple[float, ...] = ()
    # SCHEDULE: opening share for each step of the run, shape (steps,).
    schedule: NDArray[np.float64] | None = field(default=None, compare=False)
    # LAW: decide(sense, state, settings), None for the controller's own; its first state and settings.
    decide: Callable[..., Any] | None = field(default=None, compare=False)
    start: tuple[int, ...] = ()
    settings: tuple[int, ...] = ()


def closed() -> Policy:
    """Never opened."""
    return Policy(CLOSED, "closed")


def fixed(share: float) -> Policy:
    """Always open by a share of full opening."""
    if not 0.0 <= share <= 1.0:
        raise PolicyError(f"A fixed opening must lie between 0 and 1, not {share:g}.")
    return Policy(FIXED, f"fixed {share:g}", (share,))


def two_point(open_degc: float, shut_degc: float, lockout_s: float = 0.0) -> Policy:
    """Opens fully at one air temperature, shuts at another, no move within lockout_s of the last."""
    if shut_degc >= open_degc:
        raise PolicyError(f"The lid cannot shut at {shut_degc:g} C when it opens at {open_degc:g} C: shut lower.")
    if lockout_s < 0.0:
        raise PolicyError("The lockout cannot be negative.")
    return Policy(TWO_POINT, f"two-point {open_degc:g}/{shut_degc:g}", (open_degc, shut_degc, lockout_s))


def passive(start_degc: float = 20.0, span_k: float = 10.0, lag_s: float = 900.0) -> Policy:
    """A wax cylinder: starts to lift at start_degc, full span_k later, its wax lags behind the air.

    Generic figures, common practice, no source: start 15-25 C, full about 10 K later, lag 10-20 minutes.
    """
    return Policy(PASSIVE, f"passive {start_degc:g}", (start_degc, span_k, lag_s))


def schedule(shares: NDArray[np.float64]) -> Policy:
    """Opening share given for every step of the run (perfect foresight, replay)."""
    return Policy(SCHEDULE, "schedule", schedule=np.ascontiguousarray(shares, dtype=np.float64))


@dataclass(frozen=True)
class Drive:
    """What lies between a decision and the lid: probe lag, travel time, and which probes there are."""

    probe_lag_s: float = 90.0
    travel_s: float = 40.0
    outside_probe: bool = True
    wind_sensor: bool = False
    soil_probe: bool = False


def law(settings: dict[str, int] | None = None, drive: Drive | None = None) -> Policy:
    """The controller's own law, with settings by wire name over the defaults; checked against its limits."""
    from sash import lid_law
    from sash import settings as fields

    faults = fields.check_values(settings or {})
    if faults:
        raise PolicyError("Settings: " + " ".join(f"{name}: {sentence}." for name, sentence in faults))
    values = fields.merge(fields.defaults(), settings or {})
    drive = drive or Drive()
    return Policy(
        LAW,
        "law",
        (
            drive.probe_lag_s,
            drive.travel_s,
            float(drive.outside_probe),
            float(drive.wind_sensor),
            float(drive.soil_probe),
        ),
        start=tuple(lid_law.START),
        settings=tuple(values[name] for name in lid_law.SETTINGS),
    )


def parse(text: str, settings: dict[str, int] | None = None) -> Policy:
    """Read the --lid form: closed, fixed:0.10, two-point:18:12:600, passive[:20:10:900], law."""
    word, *rest = text.split(":")
    try:
        numbers = [float(part) for part in rest]
    except ValueError:
        raise PolicyError(f"{text!r}: what follows the colons must be numbers, as in two-point:18:12:600.") from None
    makers: dict[str, tuple[Callable[..., Policy], int, int]] = {
        "closed": (closed, 0, 0),
        "fixed": (fixed, 1, 1),
        "two-point": (two_point, 2, 3),
        "passive": (passive, 0, 3),
    }
    if word == "law" and not rest:
        return law(settings)
    if word not in makers:
        raise PolicyError(
            f"There is no lid rule {text!r}. Use closed, fixed:0.10, two-point:18:12:600, passive, law or foresight."
        )
    make, fewest, most = makers[word]
    if not fewest <= len(numbers) <= most:
        raise PolicyError(f"{word} takes {fewest} to {most} numbers, {len(numbers)} given: {text!r}.")
    return make(*numbers)
