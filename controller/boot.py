"""Runs first on a board: nothing that can fail. The motor is off by hardware until main.py has begun."""

import gc

gc.collect()
