"""What presses on something under a closing edge, and for how long, with the real drive table in the simulated lid.

Yardsticks for comparison, of a gate's closing edge: 400 N peak, 150 N after 0.75 s, 25 N after 5 s where the gap
closes under 500 mm. Source: EN 12453 as told in a trade guide; the standard itself was not read.
"""

from __future__ import annotations

import pytest

from framesim.faults import Fault, Faults
from framesim.lid_mechanics import LidMechanics, LidParts, Surroundings
from sash.lid_motion import Motion
from sash.reading import NONE


def squeeze(at_permille: float, travel_ms: int = 40_000) -> list[tuple[float, float]]:
    """(seconds since first touch, force at the edge [N]) while the lid shuts on to something and afterwards."""
    faults = Faults()
    lid = LidMechanics(LidParts(travel_ms=float(travel_ms)), faults)
    motion = Motion({"travel_ms": travel_ms, "stall_ma": 2_750, "boot_wait_s": 0}, 0, 0, 0)
    around, seen, ms, touched = Surroundings(), [], 0, None
    for want, limit_ms in ((600, 60_000), (0, 60_000)):
        for _ in range(limit_ms // 50):
            lid.advance(50, motion.motor, motion.duty_permille, around)
            ms += 50
            if want == 0 and lid.edge_n > 0 and touched is None:
                touched = ms
            if touched is not None:
                seen.append(((ms - touched) / 1000, lid.edge_n))
            if ms % 200 == 0:
                motion.step(200, want, lid.at_shut, lid.at_open, round(lid.motor_ma), NONE, 0)
            if want == 600 and motion.motor == 0 and ms > 5_000:
                faults.start(Fault("lid", "blocked", {"at_permille": at_permille, "direction": "shut"}))
                break
    return seen


@pytest.mark.parametrize("at_permille", [30, 53, 76, 100, 203, 300, 407, 500])
def test_force_is_gone_soon_after_the_stall(at_permille: int) -> None:
    """Whatever the opening: above 400 N at no moment, under 150 N from 0.75 s after the touch on, none after 5 s."""
    seen = squeeze(at_permille)
    assert seen, "it never touched"
    assert 50 < max(force for _, force in seen) < 400
    assert max(force for at, force in seen if at > 0.75) < 150
    assert max(force for at, force in seen if 5.0 <= at <= 30.0) < 25


def test_without_the_drive_back_it_would_stay_wound_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same without it: still more than 25 N half a minute later, so it is the drive back that lets go."""
    monkeypatch.setattr("sash.lid_motion.RELEASE_MS", 0)
    seen = squeeze(100)
    assert min(force for at, force in seen if 5.0 <= at <= 30.0) > 25
