"""An invented household for looking at the page: four frames, one night, one stuck lid, one silent frame.

Place, people and weather do not exist. Simulated frames run the controller's code in this process.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from sashkeeper.rehearsal import DirectWire, Household, Rehearsal
from tests.system.stack import PLACE, PROBES, invented, local_s, virtual_frame

START = local_s(date(2027, 2, 15), 13)
END = local_s(date(2027, 2, 16), 12, 10)
FRAMES = ("North", "South wall", "Orchard", "Nursery")
CROPS = {
    "north": (("spinach", "2026-09-10", 0.6), ("leaf lettuce", "2026-09-05", 0.4)),
    "south-wall": (("spinach", "2026-09-12", 1.0),),
    "orchard": (("carrot", "2026-08-01", 1.0),),
    "nursery": (("leaf lettuce", "2027-01-20", 1.0),),
}


def build(home: Path, rest_ms: int = 10_000) -> Household:
    """Live through an afternoon, a night and a morning; returns the household as it stands with one lid stuck."""
    from framesim.faults import Fault
    from framesim.runner import InProcess

    house = Household(home, START, {**PLACE, "name": "Fennel Rise (invented)"})
    rehearsal = Rehearsal(house, DirectWire(house))
    weather = invented(date(2027, 2, 12), date(2027, 2, 18), ["clear", "clear", "broken", "clear", "clear"])
    runners: dict[str, Any] = {}
    for n, name in enumerate(FRAMES):
        frame = house.add_frame(name)
        for crop, since, share in CROPS[frame]:
            house.plant(frame, crop, since, share)
        fittings = house.fittings(frame, probes=PROBES, rest_ms=rest_ms, boot_wait_s=60)
        runner = InProcess(virtual_frame(weather, fittings, seed=n + 1), fittings, START)
        rehearsal.add(runner)
        runners[frame] = runner
    rehearsal.run_until(START + 120)
    for frame in runners:
        house.outbox.publish_wanted(frame, house.suggested(frame), "crops")
    rehearsal.run_until(local_s(date(2027, 2, 16), 7))
    runners["north"].frame.faults.start(Fault("lid", "latch", {"slack_permille": 4.0}))
    rehearsal.run_until(local_s(date(2027, 2, 16), 9, 40))
    runners["nursery"].frame.faults.start(Fault("hold", "pressed"))
    rehearsal.run_until(local_s(date(2027, 2, 16), 10, 30))
    rehearsal.runners.pop("orchard").close()  # its power is gone: the broker tells, and nothing is heard from here on
    rehearsal.run_until(END)
    house.service.tick()
    for runner in rehearsal.runners.values():
        runner.hooks.on_message = lambda *_: None  # its last will is no part of the story
        runner.close()
    return house


if __name__ == "__main__":  # to look at the page by hand: python -m tests.system.page_house FOLDER
    import sys
    import time

    began = time.monotonic()
    made = build(Path(sys.argv[1]))
    print(f"{made.store.reading_count()} readings in {time.monotonic() - began:.0f} s")
    for shown in made.desk.standing():
        print(shown.frame, shown.alarm, shown.words.title)
    made.close()
