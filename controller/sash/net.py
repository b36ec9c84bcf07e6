"""Streams for asyncio, the same on MicroPython and CPython.

MicroPython's own `open_connection` looks names up in a blocking call and keeps
the socket to itself, so that a cancelled connect leaks it. Here the address is
numeric and the socket is closed on every way out.
"""

import asyncio
import binascii
import sys

ON_BOARD = sys.implementation.name == "micropython"


def is_numeric(host):
    """Say whether `host` is an IPv4 address in digits, which no look-up can delay."""
    parts = host.split(".")
    return len(parts) == 4 and all([part.isdigit() and int(part) < 256 for part in parts])


def der(text):
    """Return the first certificate of a PEM file (bytes) as DER; DER is returned as it is.

    MicroPython takes DER only.
    """
    begin = text.find(b"-----BEGIN CERTIFICATE-----")
    if begin < 0:
        return text
    end = text.find(b"-----END CERTIFICATE-----", begin)
    return binascii.a2b_base64(text[begin + 27 : end].replace(b"\r", b"").replace(b"\n", b""))


def tls_context(ca_file):
    """Return a context that accepts only servers certified by the authority in `ca_file` (PEM or DER)."""
    import ssl

    with open(ca_file, "rb") as file:
        authority = der(file.read())
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.verify_mode = ssl.CERT_REQUIRED
    context.load_verify_locations(cadata=authority)
    return context


if ON_BOARD:
    import socket
    from asyncio import core as _core
    from asyncio import sleep_ms, wait_for_ms
    from errno import EINPROGRESS

    def _writable(sock):
        # A plain generator: awaiting it hands the socket to the scheduler's poll.
        yield _core._io_queue.queue_write(sock)

    class Stream:
        """A connected, non-blocking socket."""

        def __init__(self, sock):
            self._sock = sock
            self._stream = asyncio.StreamReader(sock)

        async def read(self, size):
            """Return 1 to `size` bytes, b"" when the peer has closed."""
            return await self._stream.read(size)

        async def write(self, data):
            """Send all of `data`."""
            self._stream.write(data)
            await self._stream.drain()

        def close(self):
            """Close at once; a reader still waiting must be cancelled by its owner."""
            self._sock.close()

    async def open_stream(address, port, tls=None, name=None):
        """Connect to a numeric address. OSError when refused (boards may notice at the first write)."""
        info = socket.getaddrinfo(address, port, 0, socket.SOCK_STREAM)[0]
        sock = socket.socket(info[0], info[1], info[2])
        try:
            sock.setblocking(False)
            try:
                sock.connect(info[-1])
            except OSError as error:
                if error.errno != EINPROGRESS:
                    raise
            await _writable(sock)
            if tls is not None:
                sock = tls.wrap_socket(sock, server_hostname=name or address, do_handshake_on_connect=False)
                sock.setblocking(False)
            return Stream(sock)
        except BaseException:
            sock.close()
            raise

else:

    async def sleep_ms(ms):
        """Let other tasks run for `ms` milliseconds."""
        await asyncio.sleep(ms / 1000)

    async def wait_for_ms(what, ms):
        """Await `what` for at most `ms`; asyncio.TimeoutError after that."""
        return await asyncio.wait_for(what, ms / 1000)

    class Stream:
        """A connected socket."""

        def __init__(self, reader, writer):
            self._reader, self._writer = reader, writer

        async def read(self, size):
            """Return 1 to `size` bytes, b"" when the peer has closed."""
            return await self._reader.read(size)

        async def write(self, data):
            """Send all of `data`."""
            self._writer.write(data)
            await self._writer.drain()

        def close(self):
            """Close at once."""
            self._writer.transport.abort() if self._writer.transport.get_write_buffer_size() else self._writer.close()

    async def open_stream(address, port, tls=None, name=None):
        """Connect to a numeric address. OSError when refused."""
        host_name = (name or address) if tls is not None else None
        return Stream(*await asyncio.open_connection(address, port, ssl=tls, server_hostname=host_name))
