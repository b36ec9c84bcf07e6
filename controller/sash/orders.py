"""What the host asks for: signed settings and orders, opened and judged.

Each message is used at most once: its number must be higher than the last one
of its kind, and that is stored before anything is done. Orders also expire,
so a frame without a clock takes none but the one that sets the clock.
"""

from binascii import unhexlify

from . import settings as limits
from . import signing

NONE = -1
ORDERS = ("open", "shut", "hold", "release", "locate", "clock", "auto", "resend")
LATEST_UNIX_S = 4102444800      # 2100-01-01: an order to set a later clock is a mistake
EARLIEST_UNIX_S = 1735689600    # 2025-01-01: before this firmware was written
MOST_NUMBER = 0x7FFFFFFF


def is_whole(value, lowest, highest):
    """True for a whole number within the limits; a JSON true is none."""
    return isinstance(value, int) and not isinstance(value, bool) and lowest <= value <= highest


class Desk:
    """Opens envelopes and judges them; FrameCore does what is accepted.

    refused    envelopes turned away so far, for whatever reason
    """

    def __init__(self, frame, key_hex, settings_n, orders_n):
        self._prefix = "frames/" + frame + "/"
        self._key = unhexlify(key_hex) if key_hex else None
        self.settings_n = settings_n
        self.orders_n = orders_n
        self.refused_n = NONE
        self.refused = 0

    def open(self, suffix, payload):
        """Return (body, "") or (None, one word)."""
        if self._key is None:
            self.refused += 1
            return None, "key"
        try:
            body = signing.open_envelope(self._key, self._prefix + suffix, payload)
        except ValueError as error:
            self.refused += 1
            return None, str(error)
        if not is_whole(body.get("n"), 1, MOST_NUMBER):
            self.refused += 1
            return None, "form"
        return body, ""

    # --- settings -------------------------------------------------------------------
    def judge_settings(self, body, current):
        """Return (new settings, why): the set to use and "", or None and the reason.

        None and "" together mean: nothing new, keep quiet (a retained message seen again).
        """
        number = body["n"]
        if number == self.settings_n or number == self.refused_n:
            return None, ""
        if number < self.settings_n:
            self.refused += 1
            return None, "old"
        changes = body.get("settings")
        if not isinstance(changes, dict):
            why = "settings: is missing"
        else:
            values = limits.merge(current, changes)
            why = limits.sentence(limits.check(values))
            if why == "":
                self.settings_n = number
                self.refused_n = NONE
                return values, ""
        self.refused += 1
        self.refused_n = number
        return None, why

    # --- orders ---------------------------------------------------------------------
    def judge_order(self, body, unix_s):
        """Return (order, argument, why). The number is used up by every order that was signed."""
        number = body["n"]
        order = body.get("order")
        argument = body.get("arg")
        if number <= self.orders_n:
            self.refused += 1
            return order, argument, "old"
        self.orders_n = number
        why = self._why_not(order, argument, body.get("exp"), unix_s)
        if why:
            self.refused += 1
        return order, argument, why

    def _why_not(self, order, argument, expires_s, unix_s):
        if order not in ORDERS:
            return "order"
        if order == "clock":
            return "" if is_whole(argument, EARLIEST_UNIX_S, LATEST_UNIX_S) else "arg"
        if unix_s == NONE:
            return "clock"
        if not is_whole(expires_s, 0, LATEST_UNIX_S):
            return "form"
        if expires_s <= unix_s:
            return "late"
        if order in ("open", "shut") and argument is not None and not is_whole(argument, 0, 1000):
            return "arg"
        return ""
