"""Run every bench_*.py beside this file, in order of name; one JSON line a figure.

    python -m tests.bench [WORD ...]     only the files whose name holds one of the words

Every line: {"name", "value", "unit", "baseline", "ratio"}. What a figure is compared with runs in the same
process or the same minute, so ratios hold on any machine; times alone do not. A bench that cannot run
here prints a line with "skipped". A ratio that misses its aim has "met": false, and then the exit code is 1.
"""

from __future__ import annotations

import importlib
import json
import sys
import time
from pathlib import Path

from tests.bench.figure import Skipped


def main(words: list[str]) -> int:
    """Print all figures; 1 when one of them missed its aim."""
    missed = 0
    for path in sorted(Path(__file__).parent.glob("bench_*.py")):
        if words and not any(word in path.stem for word in words):
            continue
        began = time.perf_counter()
        try:
            for figure in importlib.import_module(f"tests.bench.{path.stem}").figures():
                print(json.dumps(figure.line()), flush=True)
                missed += figure.met is False
        except Skipped as why:
            print(json.dumps({"name": path.stem, "skipped": str(why)}), flush=True)
        print(f"{path.stem}: {time.perf_counter() - began:.0f} s", file=sys.stderr, flush=True)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
