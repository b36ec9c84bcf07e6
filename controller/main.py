"""Runs on a board after boot.py: read the fittings, pick the board, start the firmware."""

import asyncio
import gc
import json
import sys

if hasattr(gc, "threshold"):
    # Before anything else is loaded: without it long-lived objects end up all over the heap, and of 40 KB
    # free no two thousand bytes are in one piece (measured: 1 to 2 KB without, 16 to 32 KB with it).
    gc.threshold(4096)

import loader

FITTINGS = "fittings.json"  # boards start in their root folder
RESTART_PAUSE_MS = 10_000
SETTLE_S = 600  # chosen: firmware that runs this long has passed its trial


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


def update_place(folder):
    """Return where an update over the air goes and what it has to be newer than, None without folders."""
    manifest = loader.read_manifest(folder) if folder else None
    if manifest is None:
        return None
    idle = loader.FOLDERS[1] if folder == loader.FOLDERS[0] else loader.FOLDERS[0]
    return idle, manifest["n"], manifest["version"], loader.file_crc


def file_rounds(folder):
    """Return what checks the firmware's files while it runs, None without a manifest."""
    manifest = loader.read_manifest(folder) if folder else None
    if manifest is None:
        return None
    from sash.file_rounds import FileRounds

    return FileRounds(folder, manifest["files"])


async def run(app, board, fittings, folder):
    """Run the firmware; once it has run well for long, end the trial of its folder."""

    async def settle():
        await asyncio.sleep(SETTLE_S)
        loader.settle(folder)

    task = asyncio.create_task(settle()) if folder else None
    await app.run(board, fittings, board.link)
    if task is not None:
        task.cancel()


def main():
    """Run for ever; whatever escapes restarts the board after a pause."""
    if loader.service():
        print("Service: the firmware stays idle until the next start.")
        return
    folder = loader.use()
    if folder is None:
        print("No whole firmware in a/ or b/: using what lies beside this file, if anything. Install it again.")
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
        board.updates = update_place(folder)
        board.files = file_rounds(folder)
        asyncio.run(run(app, board, fittings, folder))
    except KeyboardInterrupt:
        board.safe()  # somebody sits at the console: nothing may go on moving
        raise
    except Exception as error:  # before the loop began: app.run handles its own
        sys.print_exception(error)
        import time

        time.sleep_ms(RESTART_PAUSE_MS)
        board.reset()


if __name__ == "__main__":
    main()
