"""`python -m tests.faults [name ...]`: every fault in sun and in frost, as a table; exit code 1 on any violation."""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time

from .book import WEATHERS, Entry, all_entries
from .play import Result, play_named


def line(result: Result) -> str:
    """One row of the table."""
    took = "-" if result.took_s is None else f"{result.took_s:.0f}"
    limit = f"{result.limit_s:.0f}" if result.limit_s else "-"
    back = "-" if result.back_s is None else f"{result.back_s:.0f}"
    return (
        f"{result.name:34} {result.weather:6} {result.said or 'quiet':18} {took:>6} {limit:>6} {back:>6} "
        f"{result.told:>4}  {result.verdict}"
    )


def main(arguments: list[str] | None = None) -> int:
    """Run and print; returns the exit code."""
    options = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    options.add_argument("names", nargs="*", help="only these scenarios")
    options.add_argument("--weather", choices=WEATHERS, help="only this weather")
    options.add_argument("--workers", type=int, default=2)
    given = options.parse_args(arguments)
    entries = [e for e in all_entries() if not given.names or e.name in given.names]
    unknown = set(given.names) - {e.name for e in entries}
    if unknown:
        print(f"No scenario called {', '.join(sorted(unknown))}. They are in tests/faults/scenarios/.", file=sys.stderr)
        return 2
    jobs: list[tuple[Entry, str]] = [
        (entry, weather) for entry in entries for weather in entry.weathers if given.weather in (None, weather)
    ]
    print(f"{'scenario':34} {'in':6} {'first said':18} {'s':>6} {'limit':>6} {'back':>6} {'told':>4}  verdict")
    started = time.monotonic()
    bad = 0
    with multiprocessing.get_context("spawn").Pool(min(given.workers, len(jobs))) as pool:
        for result in pool.imap(play_named, jobs):
            print(line(result), flush=True)
            bad += result.verdict != "ok"
    covered = {row for entry in entries for row in entry.covers}
    print(f"{len(entries)} scenarios, {len(jobs)} runs, {bad} with violations, {len(covered)} requirement rows, "
          f"{time.monotonic() - started:.0f} s")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
