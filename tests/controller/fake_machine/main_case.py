"""main.py with a make-believe app and board: run as main_case.py CASE, with `controller` on the path."""

import asyncio
import json
import sys

import main

calls = []


class Board:
    """Records."""

    link = None

    def safe(self):
        """Note it."""
        calls.append("safe")

    def reset(self):
        """Note it."""
        calls.append("reset")


class App:
    """Stands in for sash.app."""

    @staticmethod
    async def run(board, fittings, link):
        """Run for as long as the case wants, then end its way."""
        calls.append("ran " + fittings["frame"])
        await asyncio.sleep(0.2)
        if sys.argv[1] == "console":
            raise KeyboardInterrupt


import sash  # noqa: E402

sash.app = App
sys.modules["sash.app"] = App
main.make_board = lambda fittings: Board()
main.SETTLE_S = 0.05 if sys.argv[1] == "settles" else 600
try:
    main.main()
except KeyboardInterrupt:
    calls.append("interrupted")
print(json.dumps(calls))
