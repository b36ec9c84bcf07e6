"""A frame's own figures, found by `sashkeeper fit --keep`, for the third witness (heat_answer.py).

Always the cautious end of the 90 % interval: the least loss, the least air through the open lid, the most sun. What
the fit cannot tell stays as it is for any small frame.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from ..store import Store
from .heat_answer import HeatModel

if TYPE_CHECKING:
    from framesim.fit import Fit
    from framesim.frame import Frame

AIR_J_M3_K = 1.2 * 1006.0  # heat carried by a cubic metre of air
NAMES = ("loss", "air", "gain_share")


def note_name(frame: str) -> str:
    """Under which name the store keeps it."""
    return f"heat-model {frame}"


def keep(store: Store, frame: str, built: Frame, found: Fit) -> HeatModel:
    """Write a fit down for the alarms and return what they will go by."""
    from framesim import layout as at

    p = built.parameters
    bed_m2 = float(p[at.P_WIDTH] * p[at.P_DEPTH])
    figures: dict[str, float] = {}
    if found["closed loss"].told:
        figures["loss"] = found["closed loss"].low / bed_m2
    if found["flow"].told:
        share = found["flow"].factor * found["flow"].low / found["flow"].value
        figures["air"] = share * still_flow_m3_s(p) * AIR_J_M3_K / bed_m2
    if found["sun"].told:
        figures["gain_share"] = found["sun"].high / bed_m2
    store.note_set(note_name(frame), figures)
    return HeatModel(**figures)


def still_flow_m3_s(parameters: Any) -> float:
    """Air through the fully open lid in still air with 10 K between inside and outside, by the frame's description."""
    import numpy as np

    from framesim import season_loop

    lid = np.zeros(season_loop.N_LID)
    lid[season_loop.L_SHAPED] = -1.0
    season_loop.place_lid(parameters, lid, 1.0)
    return float(lid[season_loop.L_STACK]) * math.sqrt(10.0 / 293.0)


class Models:
    """Answers frame -> HeatModel, None without a fit; looks into the store at most every half hour a frame."""

    KEEP_S = 1800.0

    def __init__(self, store: Store) -> None:
        self._store = store
        self._kept: dict[str, tuple[float, HeatModel | None]] = {}

    def __call__(self, frame: str, now_s: float) -> HeatModel | None:
        """Return the model of a frame."""
        kept = self._kept.get(frame)
        if kept is None or not 0 <= now_s - kept[0] < self.KEEP_S:
            figures = self._store.note(note_name(frame))
            kept = self._kept[frame] = (now_s, HeatModel(**figures) if figures else None)
        return kept[1]
