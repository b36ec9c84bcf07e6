"""Looking up the broker's name without ever blocking the law.

`socket.getaddrinfo` blocks, on some boards for ten seconds and more, and no
timeout can interrupt it. So one small DNS question (RFC 1035) goes out over
UDP and is waited for in short sleeps. Names under `.local` are asked of the
whole home network (RFC 6762, one-shot query to 224.0.0.251:5353).
"""

import socket

from .net import sleep_ms

TRIES = 3
WAIT_MS = 1_500  # chosen: for each try
_STEP_MS = 50
MULTICAST = ("224.0.0.251", 5353)
_TYPE_A = 1


def question(name, number):
    """Return the query (bytes) for the IPv4 address of `name`. ValueError when it is no host name."""
    out = bytearray((number >> 8, number & 255, 1, 0, 0, 1, 0, 0, 0, 0, 0, 0))
    for label in name.rstrip(".").split("."):
        data = label.encode()
        if not 1 <= len(data) <= 63:
            raise ValueError("the broker's name {} is no host name".format(name))
        out.append(len(data))
        out += data
    return bytes(out) + b"\x00\x00\x01\x00\x01"


def _after_name(data, at):
    """Return where the name at `at` ends. IndexError when the packet is cut."""
    while True:
        size = data[at]
        if size == 0:
            return at + 1
        if size >= 0xC0:  # a pointer ends it
            return at + 2
        at += size + 1


def answer(data, number):
    """Return the first address in a reply as text, None when it is not ours, holds none or is malformed."""
    try:
        if (data[0] << 8 | data[1]) not in (number, 0) or not data[2] & 0x80 or data[3] & 0x0F:
            return None
        at = 12
        for _ in range(data[4] << 8 | data[5]):
            at = _after_name(data, at) + 4
        for _ in range(data[6] << 8 | data[7]):
            at = _after_name(data, at)
            kind, size = data[at] << 8 | data[at + 1], data[at + 8] << 8 | data[at + 9]
            at += 10
            if kind == _TYPE_A and size == 4 and len(data) >= at + 4:
                return "{}.{}.{}.{}".format(*data[at : at + 4])
            at += size
    except IndexError:
        pass
    return None


async def look_up(name, server, random_bytes):
    """Return the IPv4 address of `name` as text; OSError when nobody answers within TRIES x WAIT_MS.

    server        (address, port) of a name server, ignored for names under .local
    random_bytes  gives the number of the question
    """
    if name.endswith(".local"):
        server = MULTICAST
    where = socket.getaddrinfo(server[0], server[1])[0][-1]  # digits: returns at once
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        sock.setblocking(False)
        for _ in range(TRIES):
            noise = random_bytes(2)
            number = noise[0] << 8 | noise[1]
            sock.sendto(question(name, number), where)
            for _ in range(WAIT_MS // _STEP_MS):
                await sleep_ms(_STEP_MS)
                address = _received(sock, number)
                if address:
                    return address
    finally:
        sock.close()
    raise OSError("the name {} was not found".format(name))


def _received(sock, number):
    """Return the address if a fitting reply has come in."""
    while True:
        try:
            data, _ = sock.recvfrom(512)
        except OSError:  # nothing there yet
            return None
        address = answer(data, number)
        if address:
            return address
