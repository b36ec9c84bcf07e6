"""What a model leaves over of measured series: a slow wander and the probe's own noise, taken apart.

The wander forgets exponentially (first-order autoregression); on top of it lies noise that has no memory. The
filter of Kalman (1960) turns such remainders into shocks of unit size, gaps included, in one pass.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from framesim.jit import kernel_jit

Array = NDArray[np.float64]

# Logarithm of the wander's size [K], its memory as a logit, logarithm of the probe's noise [K].
FIRST_NOISE = (math.log(0.5), 1.0, math.log(0.1))
LEAST_NOISE_K, MOST_NOISE_K = 0.02, 10.0
MOST_MEMORY = 0.99


def noise_figures(noise: Array) -> tuple[float, float, float]:
    """(size of the wander [K], its correlation from hour to hour, the probe's noise [K]), kept within reason."""
    wander = min(max(math.exp(min(noise[0], 5.0)), LEAST_NOISE_K), MOST_NOISE_K)
    own = min(max(math.exp(min(noise[2], 5.0)), LEAST_NOISE_K), MOST_NOISE_K)
    return wander, MOST_MEMORY / (1.0 + math.exp(-min(max(float(noise[1]), -20.0), 20.0))), own


def whiten(table: Array, noise: Array) -> tuple[Array, float]:
    """Shocks of each column of a table (hours, columns), and the logarithm of the determinant of their spread.

    Hours in which the first column is NaN were not measured and give no row.
    """
    wander, memory, own = noise_figures(noise)
    shocks, log_det, count = _filter(np.ascontiguousarray(table), wander**2, memory, own**2)
    return shocks[:count], float(log_det)


@kernel_jit
def _filter(table: Array, wander2: float, memory: float, own2: float) -> tuple[Array, float, int]:
    hours, columns = table.shape
    shocks = np.zeros((hours, columns))
    mean = np.zeros(columns)
    unsure, log_det, count = wander2, 0.0, 0
    for hour in range(hours):
        if not math.isnan(table[hour, 0]):
            spread = unsure + own2
            gain = unsure / spread
            for c in range(columns):
                surprise = table[hour, c] - mean[c]
                shocks[count, c] = surprise / math.sqrt(spread)
                mean[c] += gain * surprise
            unsure *= 1.0 - gain
            log_det += math.log(spread)
            count += 1
        for c in range(columns):
            mean[c] *= memory
        unsure = memory * memory * unsure + (1.0 - memory * memory) * wander2
    return shocks, log_det, count
