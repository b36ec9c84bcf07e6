"""A make-believe Wi-Fi interface."""

STA_IF = 0
calls = []
state = {"connected": 0, "raises": 0}


class WLAN:
    """Records what is asked of it."""

    def __init__(self, interface):
        self.interface = interface

    def active(self, on):
        """Switch."""
        calls.append(("active", on))

    def connect(self, ssid, password):
        """Join."""
        calls.append(("connect", ssid))

    def disconnect(self):
        """Leave."""
        calls.append(("disconnect",))

    def isconnected(self):
        """Return what the test set."""
        if state["raises"]:
            raise OSError(5)
        return bool(state["connected"])
