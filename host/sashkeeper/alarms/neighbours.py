"""What other frames of the garden say about the sky over one that has fallen silent."""

from __future__ import annotations

from collections.abc import Iterable

from .heat_answer import clear_sky_w_m2
from .picture import PLAY_PERMILLE, LiveFrame

HEARD_S = 900.0
LUX_PER_W_M2 = 110.0  # daylight; from memory, 100 to 120
DULL_SHARE = 0.2  # of the clearest sky's light, at the plants under a lid (chosen)
WARM_K = 5.0  # a shut frame so much warmer than outdoors has sun (chosen)


def dull_sky(others: Iterable[LiveFrame], now_s: float, sun_height_deg: float | None) -> bool | None:
    """True when a light cell nearby sees a dull sky and no frame sees sun; None when nobody can tell.

    A cool frame alone says nothing: it may lie under snow or a cover.
    """
    if sun_height_deg is None or sun_height_deg <= 0.0:
        return None
    votes = [vote for other in others if (vote := _vote(other, now_s, sun_height_deg)) is not None]
    return None if not votes else all(votes)


def _vote(live: LiveFrame, now_s: float, sun_height_deg: float) -> bool | None:
    if live.values_s is None or not 0.0 <= now_s - live.values_s <= HEARD_S:
        return None
    light, outside, air = live.values.get("light"), live.values.get("outside"), live.air_now()
    if light is not None:
        return light < DULL_SHARE * clear_sky_w_m2(sun_height_deg) * LUX_PER_W_M2
    shut = live.position is not None and live.position <= PLAY_PERMILLE
    warm = shut and air is not None and outside is not None and air - outside >= WARM_K
    return False if warm else None
