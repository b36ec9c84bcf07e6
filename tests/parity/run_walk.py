"""Runs the walk on whatever interpreter this is: run_walk.py <controller> <walk file> <part> ..."""

import sys

sys.path.insert(0, sys.argv[1])
from sash import lid_law

space = {"decide": lid_law.decide}
with open(sys.argv[2]) as file:
    exec(file.read(), space)

for part in sys.argv[3:]:
    steps, seed = [int(word) for word in part.split(":")]
    sense = [0, 15000, 5000, 8000, 2000, 0, 40, 0, 12500, -1, 0, 0, 0, 1]
    seen = [0] * 48
    dice = [seed, 1000 + seed, 2000 + seed]
    total = space["walk"](steps, dice, sense, list(lid_law.START), [0] * len(lid_law.SETTINGS), seen)
    print(total, " ".join([str(count) for count in seen]))
