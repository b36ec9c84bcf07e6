"""A cable that can be pulled: passes loopback TCP on to a broker until it is told not to.

For outages of the network in lockstep and real-time runs, where the broker itself goes on.
"""

from __future__ import annotations

import contextlib
import selectors
import socket
import threading

CHUNK = 65_536


class Relay:
    """Listens on a free loopback port and passes every connection on to host:port.

    cut() drops what is connected and refuses what comes; restore() lets in again. One thread.
    """

    def __init__(self, host: str, port: int) -> None:
        self._target = (host, port)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.setblocking(False)
        self.port = int(self._listener.getsockname()[1])
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._wake_out, self._wake_in = socket.socketpair()
        self._selector.register(self._wake_in, selectors.EVENT_READ)
        self._peers: dict[socket.socket, socket.socket] = {}
        self._is_cut = False
        self._is_closed = False
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._work, name="relay", daemon=True)
        self._thread.start()

    def cut(self) -> None:
        """Pull the cable; returns once nothing is connected any more."""
        self._order(is_cut=True)

    def restore(self) -> None:
        """Plug it in again."""
        self._order(is_cut=False)

    def on_outage(self, part: str, down: bool) -> None:
        """Fits runner Hooks.on_outage."""
        if down:
            self.cut()
        else:
            self.restore()

    def close(self) -> None:
        """End for good."""
        if self._thread.is_alive():
            self._is_closed = True
            self._wake_out.send(b".")
            self._thread.join(5)
        for sock in (self._listener, self._wake_out, self._wake_in):
            sock.close()

    def _order(self, is_cut: bool) -> None:
        self._is_cut = is_cut
        self._done.clear()
        self._wake_out.send(b".")
        self._done.wait(5)

    # --- the thread --------------------------------------------------------------------------

    def _work(self) -> None:
        while not self._is_closed:
            for key, _ in self._selector.select():
                if key.fileobj is self._wake_in:
                    self._wake_in.recv(100)
                    self._obey()
                elif key.fileobj is self._listener:
                    self._accept()
                else:
                    assert isinstance(key.fileobj, socket.socket)
                    self._pass(key.fileobj)
        self._drop_all()
        self._selector.close()

    def _obey(self) -> None:
        if self._is_cut:
            self._drop_all()
        self._done.set()

    def _accept(self) -> None:
        try:
            near, _ = self._listener.accept()
        except OSError:
            return
        if self._is_cut:
            near.close()
            return
        try:
            far = socket.create_connection(self._target, 5)
        except OSError:
            near.close()
            return
        for sock in (near, far):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._selector.register(sock, selectors.EVENT_READ)
        self._peers[near], self._peers[far] = far, near

    def _pass(self, sock: socket.socket) -> None:
        other = self._peers.get(sock)
        if other is None:
            return  # dropped in this very round
        try:
            data = sock.recv(CHUNK)
            if data:
                other.sendall(data)
                return
        except OSError:
            pass
        self._drop(sock, other)

    def _drop(self, *socks: socket.socket) -> None:
        for sock in socks:
            self._peers.pop(sock, None)
            with contextlib.suppress(KeyError, ValueError):
                self._selector.unregister(sock)
            sock.close()

    def _drop_all(self) -> None:
        self._drop(*list(self._peers))
