"""Run the firmware on a desk: main_virtual.py FOLDER HOST PORT lockstep|real

FOLDER holds fittings.json and the stored records, and may hold two firmware
folders a and b as a board does (loader.py); then the one that a board would
start is run, and updates over the air are taken. HOST "-" means no network.
The lines it speaks are described in sash/boards/virtual.py. Runs on MicroPython
and on CPython.
"""

import asyncio
import gc
import json
import sys

if hasattr(gc, "threshold"):
    # Before anything else is loaded: without it long-lived objects end up all over the heap, and of 40 KB
    # free no two thousand bytes are in one piece (measured: 1 to 2 KB without, 16 to 32 KB with it).
    gc.threshold(4096)

def _find_package():
    """Put the folder that holds `sash` on the path: beside this file, or two up in an installed package."""
    here = __file__.rsplit("/", 1)[0] if "/" in __file__ else "."
    for folder in (here, here + "/../.."):
        for name in ("/sash/app.py", "/sash/app.mpy"):
            try:
                open(folder + name).close()
            except OSError:
                continue
            sys.path.insert(0, folder)
            return


def _pick_folder(folder):
    """Put the firmware folder that a board would start on the path; return what main.py's `update_place` and
    `file_rounds` do."""
    import loader

    root = folder + "/"
    chosen = loader.use(root)
    if chosen is None:
        return None, None
    manifest = loader.read_manifest(chosen)
    idle = root + loader.FOLDERS[1 if chosen == root + loader.FOLDERS[0] else 0]
    from sash.file_rounds import FileRounds

    return (idle, manifest["n"], manifest["version"], loader.file_crc), FileRounds(chosen, manifest["files"])


def main(arguments):
    """Return the exit code."""
    if len(arguments) != 4 or arguments[3] not in ("lockstep", "real"):
        print("# usage: main_virtual.py FOLDER HOST PORT lockstep|real")
        return 2
    folder, host, port, mode = arguments
    try:
        with open(folder + "/fittings.json") as file:
            fittings = json.load(file)
    except (OSError, ValueError) as error:
        print("# {}/fittings.json cannot be read: {}. Write one and start again.".format(folder, error))
        return 2
    place, files = _pick_folder(folder)
    if place is None:
        _find_package()
    from sash import app, link
    from sash.boards.virtual import Board

    async def go():
        board = Board(fittings, folder, mode)
        line = None
        if host != "-":
            options = dict(fittings.get("mqtt", {}))
            options.update({"host": host, "port": int(port)})
            fittings["mqtt"] = options
            line = board.link = link.Link(fittings, board)
        board.updates = place
        board.files = files
        await app.run(board, fittings, line)

    asyncio.run(go())
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
