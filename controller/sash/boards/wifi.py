"""Joining the Wi-Fi without ever waiting for it.

`up()` is asked before each try to reach the broker. When tries keep failing it
climbs a ladder: join again, interface off and on, and at last a restart of the
board, which happens only with the lid at rest. An interface that says it is
connected proves nothing (it may have gone deaf), so what counts is whether the
link had a session since.
"""

from ..clock import ticks_diff, ticks_ms

JOIN_MS = 20_000  # chosen: one try to join
REJOIN_TRIES, CYCLE_TRIES, RESTART_TRIES = 4, 8, 60  # chosen: failed tries in a row; 60 take some five hours
IDLE, JOINING = 0, 1


class Wifi:
    """wlan: network.WLAN; sessions: function giving the count of accepted sessions of the link."""

    def __init__(self, wlan, ssid, password, sessions, may_restart, restart):
        self._wlan = wlan
        self._ssid, self._password = ssid, password
        self._sessions = sessions
        self._may_restart, self._restart = may_restart, restart
        self._seen = 0  # sessions at the last look
        self.tries = 0  # since the last session
        self._state = IDLE
        self._since = 0

    def up(self):
        """Return 1 when the broker may be tried now. Never blocks, never raises."""
        try:
            return self._up()
        except Exception:  # the radio's driver may raise anything
            self._state = IDLE
            return 0

    def _up(self):
        sessions = self._sessions()
        if sessions != self._seen:
            self._seen = sessions
            self.tries = 0
        self.tries += 1
        self._climb()
        if self._wlan.isconnected():
            self._state = IDLE
            return 1
        if self._state == IDLE or ticks_diff(ticks_ms(), self._since) > JOIN_MS:
            self._join()
        return 0

    def _climb(self):
        tries = self.tries
        if tries >= RESTART_TRIES:
            if self._may_restart():
                self._restart()
        elif tries and tries % CYCLE_TRIES == 0:
            self._wlan.active(False)
            self._state = IDLE
        elif tries and tries % REJOIN_TRIES == 0:
            self._wlan.disconnect()
            self._state = IDLE

    def _join(self):
        self._wlan.active(True)
        self._wlan.connect(self._ssid, self._password)
        self._state = JOINING
        self._since = ticks_ms()
