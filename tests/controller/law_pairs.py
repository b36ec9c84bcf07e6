"""Every pair of conditions that can meet, put to the law; prints the table of docs/decisions/law-ranks.md.

    python tests/controller/law_pairs.py

The test compares the page with the law and with openings worked out by hand, so a
new row has to be read before it is pasted.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[2] / "controller"), str(Path(__file__).parent)]

from law_bench import Bench

from sash import lid_law as law

# In order of rank. Each disturbs the bench: noon, 14 C inside, 8 C outside, lid at 400 permille.
CONDITIONS: dict[str, Callable[[Bench], Bench]] = {
    "hold": lambda b: b.see(hold=1),
    "lid fault": lambda b: b.see(lid_fault=1),
    "battery empty": lambda b: b.see(battery_mv=11_300).remember(battery_level=2),
    "scorch": lambda b: b.see(air_mdegc=33_000),
    "wind above shut": lambda b: b.see(wind_mms=13_000),
    "wind above part": lambda b: b.see(wind_mms=9_000),
    "battery low": lambda b: b.see(battery_mv=11_700).remember(battery_level=1),
    "frost inside": lambda b: b.see(air_mdegc=500),
    "freezing outside": lambda b: b.see(outside_mdegc=-3_000),
    "evening": lambda b: b.see(sun_cdeg=500, after_noon=1),
    "scorch over": lambda b: b.see(air_mdegc=30_000).remember(scorch=1, settle_stage=2, target_permille=1000),
    "heat ahead": lambda b: b.see(air_mdegc=24_000).remember(slope_mdegc_min=6_000, since_move_s=130),
    "dwell": lambda b: b.remember(since_move_s=10),
    "budget spent": lambda b: b.remember(used_permille=24_000),
    "warm": lambda b: b.see(air_mdegc=20_000),
    "cool": lambda b: b.see(air_mdegc=11_500),
    "air probe lost": lambda b: b.see(air_mdegc=law.NO_MDEGC),
}
# Each of these says what the air is, so no two of them can meet.
BY_AIR = {"scorch", "frost inside", "scorch over", "heat ahead", "warm", "cool", "air probe lost"}


def pairs() -> Iterator[tuple[str, str]]:
    """All pairs that can meet, the higher rank first."""
    names = list(CONDITIONS)
    for place, first in enumerate(names):
        for second in names[place + 1 :]:
            if not {first, second} <= BY_AIR:
                yield first, second


def outcome(first: str, second: str) -> tuple[int, str]:
    """Opening and reason when both hold."""
    bench = Bench()
    CONDITIONS[second](bench)
    CONDITIONS[first](bench)
    return bench.step()


if __name__ == "__main__":
    for first, second in pairs():
        opening, reason = outcome(first, second)
        print(f"| {first} | {second} | {opening} | {reason} |")
