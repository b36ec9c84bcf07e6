"""Run the firmware on a desk: main_virtual.py FOLDER HOST PORT lockstep|real

FOLDER holds fittings.json and the stored records. HOST "-" means no network.
The lines it speaks are described in sash/boards/virtual.py. Runs on MicroPython
and on CPython.
"""

import asyncio
import json
import sys


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
        await app.run(board, fittings, line)

    asyncio.run(go())
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
