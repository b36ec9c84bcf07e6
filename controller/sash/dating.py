"""Times for readings and events that were taken before the clock was set.

A frame that starts with the link away has no clock. What it notes then carries
a mark, `@boot,uptime `, in front of its JSON text; at hand-over, once the clock
is set, the time is worked out from how long ago that was. A mark of an earlier
start cannot be dated any more: the text goes out without a time, and the host
takes the time of arrival.
"""


def mark(payload, boot, uptime_s):
    """Return `payload` (bytes) marked as noted `uptime_s` after start number `boot`."""
    return b"@%d,%d " % (boot, uptime_s) + payload


def is_open(payload, boot):
    """Say whether `payload` can still be dated in start `boot`."""
    return payload[:1] == b"@" and int(payload[1 : payload.find(b",")]) == boot


def date(payload, boot, uptime_s, unix_s):
    """Return the JSON text, with its time put in where that is known; unix_s below 0 = clock unset."""
    if payload[:1] != b"@":
        return payload
    known = unix_s >= 0 and is_open(payload, boot)
    head, _, text = payload.partition(b" ")
    if not known:
        return text
    when = b"%d" % (unix_s - uptime_s + int(head[head.find(b",") + 1 :]))
    if text[:2] == b"[{":  # a SenML pack: base time in its first record
        return b'[{"bt":' + when + b"," + text[2:]
    return text.replace(b'"time_s":null', b'"time_s":' + when, 1)
