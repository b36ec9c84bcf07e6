"""The seam between the shell and a board.

`app.run(board, fittings, link)` needs an object with these names; there is
nothing to inherit. `boards/virtual.py`, `boards/esp32.py` and `boards/rp2.py`
each provide a class `Board`; real boards are built as `Board(fittings)`.

name                 "virtual", "esp32", "rp2": appears in the report
storage              files by name: read(name) -> bytes or None when there is none,
                     write(name, data), append(name, data), remove(name), names().
                     OSError when the flash fails or is full. `storage.FileStorage(folder)` does it.
read()               -> reading.Inputs. Never blocks longer than one 1-Wire conversation; a probe
                     that does not answer is None, never an exception.
apply(actions)       carries out motor, duty_permille, siren and lamp of reading.Actions. Nothing else.
async wait(next_ms)  -> whole milliseconds passed since the last wait (or since start). Comes back early
                     when the hold switch changes, raises `Stopped` to end `run` cleanly.
unix_s()             -> whole Unix seconds (1970 epoch, whatever the port's own), reading.NONE while unset
set_unix_s(unix_s)   sets the clock, and a battery-backed one if there is one
feed()               feeds the watchdog. Called by app.py only, once a cycle.
reset_cause()        -> "power-on", "watchdog", "soft", "brown-out", "unknown"
reset()              restarts the board, does not return (on the virtual board: ends the process)
random_bytes(n)      -> n bytes for retry pauses
name_server()        -> (address, port) to ask for the broker's address; only called when that is a name
network_up()         -> 1 when the link may try (Wi-Fi joined), 0 not. Never blocks.

On entry to `run` the motor must already be off by hardware.
"""


class Stopped(Exception):
    """Raised by a board's `wait` when the firmware is asked to end (desk runs only)."""
