"""`python -m tests.campaign --winters N --days D --jobs 2`: simulated winters, each healthy and with one fault.

151 days are a whole winter, November to March; every tenth household has three frames. A fault strikes each frame in a
copy of the winter, in the middle of it; --only healthy leaves faults out, --only broken plays one from a day before it.

Prints a table and, with --out FILE, keeps one JSON line a winter; seeds that are in the file already are not run again,
so that a long campaign can be stopped and taken up. Exit code 1 when a lid alarm rang falsely, a fault was missed or
late, or a winter's messages exceeded their limit in the worst 30-day mean: one a frame and day, six a grower and day
with the sign of life.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from tests.campaign.broken import Job, play
from tests.campaign.winter import STUCK


def kept(path: Path | None) -> dict[Job, list[dict[str, Any]]]:
    """Return what earlier runs left in the file."""
    if path is None or not path.exists():
        return {}
    lines = [json.loads(text) for text in path.read_text().splitlines() if text.strip()]
    return {(one["job"][0], one["job"][1], one["job"][2]): one["runs"] for one in lines}


def worst_month(pushes: list[int]) -> float:
    """The worst 30-day mean of messages a day (of all days where there are fewer)."""
    width = min(30, len(pushes))
    return max(sum(pushes[n : n + width]) / width for n in range(len(pushes) - width + 1)) if pushes else 0.0


def summary(runs: Iterable[dict[str, Any]]) -> dict[str, Any]:
    """Return the figures of a campaign."""
    runs = list(runs)
    well = [r for r in runs if not r["fault"]]
    ill = [r for r in runs if r["fault"]]
    days = sum(r["frame_days"] for r in well)
    alarms, kinds = Counter[str](), Counter[str]()
    for r in well:
        alarms.update(r["alarms"])
        kinds.update(r["kinds"])
    table: dict[str, Counter[str]] = defaultdict(Counter)
    said: dict[str, Counter[str]] = defaultdict(Counter)
    slowest: dict[str, float] = {}
    for r in ill:
        table[r["fault"]][r["verdict"]] += 1
        if r["verdict"] != "not provoked":
            said[r["fault"]][r["said"] or "none"] += 1
        if r["said"]:
            slowest[r["fault"]] = max(slowest.get(r["fault"], -1e9), r["took_s"])
    pushes, life = sum(sum(r["pushes"]) for r in well), sum(r["life"] for r in well)
    return {
        "healthy_runs": len(well), "healthy_frame_days": round(days, 1),
        "false_stuck_lid": sum(alarms[k] for k in STUCK), "alarms": dict(alarms), "messages": dict(kinds),
        "pushes_per_frame_day": round(pushes / days, 3) if days else None,
        "with_sign_of_life": round((pushes + life) / days, 3) if days else None,
        "worst_30_day_mean": round(max((worst_month(r["pushes"]) / r["frames"] for r in well), default=0.0), 3),
        "worst_30_days_of_a_grower": round(1 + max((worst_month(r["pushes"]) for r in well), default=0.0), 3),
        "households_of_three": sum(r["frames"] > 1 for r in well),
        "worst_day": max((max(r["pushes"]) for r in well), default=0),
        "moves_per_day": round(sum(r["moves"] for r in well) / days, 1) if days else None,
        "fault_runs": len(ill), "fault_frame_days": round(sum(r["frame_days"] for r in ill), 1),
        "missed": sum(r["verdict"] == "missed" for r in ill), "late": sum(r["verdict"] == "late" for r in ill),
        "not_provoked": sum(r["verdict"] == "not provoked" for r in ill),
        "faults": {k: {**table[k], "said": dict(said[k]), "slowest_s": slowest.get(k)} for k in sorted(table)},
    }  # fmt: skip


def show(figures: dict[str, Any]) -> None:
    """Print the tables."""
    print(f"{figures['healthy_runs']} healthy households ({figures['households_of_three']} of three frames), "
          f"{figures['healthy_frame_days']} frame-days: "
          f"{figures['false_stuck_lid']} false stuck-lid alarms, {figures['pushes_per_frame_day']} messages a frame "
          f"and day ({figures['with_sign_of_life']} with the sign of life; worst 30-day mean "
          f"{figures['worst_30_day_mean']}, of a grower {figures['worst_30_days_of_a_grower']}; "
          f"worst day {figures['worst_day']}), "
          f"{figures['moves_per_day']} moves a day; messages {figures['messages']}, alarms {figures['alarms']}")
    print(f"{'fault':28} {'found':>5} {'late':>5} {'missed':>6} {'quiet':>5} {'slowest s':>9}  first alarm said")
    for name, row in figures["faults"].items():
        slowest = "-" if row["slowest_s"] is None else f"{row['slowest_s']:.0f}"
        words = ", ".join(f"{k} {n}" for k, n in row["said"].items())
        print(f"{name:28} {row.get('found', 0):5} {row.get('late', 0):5} {row.get('missed', 0):6} "
              f"{row.get('not provoked', 0):5} {slowest:>9}  {words}")  # fmt: skip


def main(arguments: list[str] | None = None) -> int:
    """Run what is not yet in the file, print, judge."""
    options = argparse.ArgumentParser(prog="python -m tests.campaign", description=__doc__,
                                      formatter_class=argparse.RawDescriptionHelpFormatter)  # fmt: skip
    options.add_argument("--winters", type=int, default=4)
    options.add_argument("--days", type=int, default=30)
    options.add_argument("--jobs", type=int, default=2)
    options.add_argument("--seed", type=int, default=1, help="of the first winter")
    options.add_argument("--only", choices=("healthy", "broken"))
    options.add_argument("--out", type=Path)
    given = options.parse_args(arguments)
    if given.winters < 1 or given.days < 7 or given.jobs < 1:
        print("A campaign needs at least 1 winter of 7 days and 1 job. Nothing was run.", file=sys.stderr)
        return 2
    jobs = [(given.only or "both", s, given.days) for s in range(given.seed, given.seed + given.winters)]
    done = kept(given.out)
    todo = [job for job in jobs if job not in done]
    began = time.monotonic()
    if todo:
        with multiprocessing.get_context("spawn").Pool(min(given.jobs, len(todo))) as pool:
            for job, outcomes in pool.imap_unordered(play, todo):
                done[job] = [asdict(outcome) for outcome in outcomes]
                if given.out is not None:
                    with given.out.open("a") as out:
                        out.write(json.dumps({"job": list(job), "runs": done[job]}) + "\n")
                for outcome in outcomes:
                    print(f"  {job[0]} {job[1]}: {outcome.frame_days:.1f} days, {outcome.fault} {outcome.verdict} "
                          f"{outcome.said} {outcome.took_s} {outcome.alarms}, {sum(outcome.pushes)} messages, "
                          f"{time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)  # fmt: skip
    figures = summary(run for job in jobs for run in done[job])
    show(figures)
    print(json.dumps(figures))
    flood = figures["worst_30_day_mean"] > 1 or figures["worst_30_days_of_a_grower"] > 6
    return 1 if figures["false_stuck_lid"] or figures["missed"] or figures["late"] or flood else 0


if __name__ == "__main__":
    sys.exit(main())
