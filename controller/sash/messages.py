"""The messages a frame sends, as plain dicts and lists; the shell turns them into JSON.

Nothing here decides or remembers. Measurements are SenML packs (RFC 8428), the
rest small objects with "v": 1. Times are whole Unix seconds or None.
"""

NONE = -1
NO_MDEGC = -999999
FIRMWARE = "0.1.0"


def _time(unix_s):
    return None if unix_s == NONE else unix_s


def _record(name, unit, value):
    return {"n": name, "u": unit, "v": value}


def readings(frame, unix_s, seq, boot, temperatures, whole, position_permille, target_permille):
    """Return a SenML pack; what is missing is left out.

    temperatures  list of (name, mdegc)
    whole         list of (name, unit, number or NONE, divisor)
    """
    # bt is a whole number and never passes through a float (RFC 8428 on 32-bit floats).
    first = {"bn": frame + "/", "n": "seq", "u": "count", "v": seq}
    if unix_s != NONE:
        first["bt"] = unix_s
    pack = [first, _record("boot", "count", boot)]
    for name, mdegc in temperatures:
        if mdegc != NO_MDEGC:
            pack.append(_record(name, "Cel", mdegc / 1000))
    if position_permille != NONE:
        pack.append(_record("lid", "/", position_permille / 1000))
    pack.append(_record("target", "/", target_permille / 1000))
    for name, unit, number, divisor in whole:
        if number != NONE:
            pack.append(_record(name, unit, number if divisor == 1 else number / divisor))
    return pack


def report(core):
    """Return the retained report; the shell adds drops, free memory, board and interpreter."""
    return {
        "v": 1,
        "boot": core.boot,
        "time_s": _time(core.unix_s),
        "uptime_s": core.uptime_s,
        "lid": {
            "state": core.lid_state,
            "position_permille": core.position_permille,
            "target_permille": core.target_permille,
        },
        "reason": core.reason,
        "lockouts": core.lockouts,
        "faults": core.faults.words(),
        "mode": core.mode,
        "settings_n": core.settings_n,
        "firmware": FIRMWARE,
        "board": "",
        "interpreter": "",
        "drops": {"journal": 0, "refused": core.refused},
        "free_bytes": None,
        "journal_waiting": 0,
    }


def event(boot, seq, unix_s, kind, fields):
    """Return one event: the common part and its own fields."""
    message = {"v": 1, "boot": boot, "seq": seq, "time_s": _time(unix_s), "kind": kind}
    message.update(fields)
    return message


def actual(n, settings, refused_n, why):
    """Return what is in force, and why a wanted set was refused (refused_n NONE: none was)."""
    refused = None if refused_n == NONE else {"n": refused_n, "why": why}
    return {"v": 1, "n": n, "settings": dict(settings), "refused": refused}


def answer(n, why):
    """Return the answer to an order; an empty reason means done."""
    return {"v": 1, "n": n, "done": why == "", "why": why}
