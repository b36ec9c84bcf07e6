"""The third witness: does the bed warm like an open frame or like a shut one?

A one-node heat balance per m2 of bed. It asks one careful question: to hold this warmth with the lid as
open as it claims, how much sun would be needed, and can the clearest sky give that? Clouds, shade and dirt
only lower what the sky gives, so they can never make a healthy frame look stuck. Losses and stored heat are
taken low and the sun high for the same reason. What is missed that way (a dull day) is not urgent.

A frame with a fitted model passes its own `HeatModel`; these defaults suit any small frame.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from .time_left import Rate

OPEN, SHUT, CANNOT_TELL = "open", "shut", "cannot-tell"


@dataclass(frozen=True)
class HeatModel:
    """store [J/(m2 K)]; loss [W/(m2 K)] shut; air [W/(m2 K)] fully open at 10 K; gain_share of the sun.

    Source: store 20-60 kJ/(m2 K) and loss 5-8 W/(m2 K) from an energy balance of a small glazed bed (derived:
    4 mm glass, top 1 cm of moist soil, leaves), the low ends taken here. air: half of the buoyancy flow
    Cd A/3 sqrt(g h dT/T) through a lid open 0.5 m over a bed of 1.1 m2 (derived), for screens and crop.
    """

    store: float = 20_000.0
    loss: float = 5.0
    air: float = 36.0
    gain_share: float = 0.8


def clear_sky_w_m2(sun_height_deg: float) -> float:
    """Global radiation of the clearest sky on level ground [W/m2].

    Source: Haurwitz, Journal of Meteorology 2 (1945), in the form 1098 cos z exp(-0.057/cos z); from memory.
    """
    sine = math.sin(math.radians(sun_height_deg))
    return 0.0 if sine <= 0.01 else 1098.0 * sine * math.exp(-0.057 / sine)


def gain_possible(sun_height_deg: float, model: HeatModel) -> float:
    """Most heat the bed can get [W/m2]; a lid tilted 20 degrees to the sun sees it that much higher."""
    return model.gain_share * clear_sky_w_m2(min(90.0, sun_height_deg + 20.0)) if sun_height_deg > 0 else 0.0


def gain_needed(open_share: float, excess_k: float, rate_k_per_min: float, model: HeatModel) -> float:
    """Heat needed to hold `excess_k` over outside and warm at this rate [W/m2], lid open by `open_share` 0..1."""
    flow: float = model.air * open_share**1.5 * math.sqrt(max(0.0, excess_k) / 10.0)
    return model.store * rate_k_per_min / 60.0 + (model.loss + flow) * excess_k


def witness(
    open_share: float,
    air_degc: float,
    outside_degc: float | None,
    rate: Rate | None,
    sun_height_deg: float | None,
    model: HeatModel | None = None,
) -> str:
    """Return SHUT when an open lid cannot explain the warmth, OPEN when a clear fall shows one, else CANNOT_TELL."""
    if rate is None or outside_degc is None or sun_height_deg is None:
        return CANNOT_TELL
    model = model or HeatModel()
    excess = air_degc - outside_degc
    falling = rate.degc_per_min + 2 * rate.error_degc_per_min < -0.1
    if falling and excess > 2.0:
        return OPEN
    if rate.degc_per_min < -0.05 or sun_height_deg < 5.0:
        return CANNOT_TELL  # heat of before is still going out, or no sun to reckon with
    needed = gain_needed(open_share, excess, max(0.0, rate.degc_per_min - rate.error_degc_per_min), model)
    return SHUT if needed > 1.15 * gain_possible(sun_height_deg, model) else CANNOT_TELL
