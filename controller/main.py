"""Runs on a board after boot.py: read the fittings, pick the board, start the firmware."""

import asyncio
import json
import sys

FITTINGS = "/fittings.json"
RESTART_PAUSE_MS = 10_000


def make_board(fittings):
    """Return the Board of this chip family."""
    if sys.platform == "esp32":
        from sash.boards.esp32 import Board
    elif sys.platform == "rp2":
        from sash.boards.rp2 import Board
    else:
        raise RuntimeError("no board file for {}: add one beside sash/boards/esp32.py".format(sys.platform))
    return Board(fittings)


def make_link(fittings, board):
    """Return the link, or None: a frame keeps its lid right without a network.

    Damaged settings of the network must not stop the frame either.
    """
    if not fittings.get("mqtt"):
        return None
    try:
        from sash.link import Link

        return Link(fittings, board)
    except Exception as error:
        print("The network is left out: {}: {}".format(type(error).__name__, error))
        return None


def main():
    """Run for ever; whatever escapes restarts the board after a pause."""
    try:
        with open(FITTINGS) as file:
            fittings = json.load(file)
    except (OSError, ValueError) as error:
        print("{} cannot be read: {}. Put it on the board again; the lid stays where it is.".format(FITTINGS, error))
        return
    from sash import app

    board = make_board(fittings)
    try:
        board.link = make_link(fittings, board)
        asyncio.run(app.run(board, fittings, board.link))
    except KeyboardInterrupt:
        raise  # somebody sits at the console
    except Exception as error:  # before the loop began: app.run handles its own
        sys.print_exception(error)
        import time

        time.sleep_ms(RESTART_PAUSE_MS)
        board.reset()


if __name__ == "__main__":
    main()
