"""JSON texts taken apart into a shape and its numbers.

Messages of one kind differ only in their numbers. `split` replaces every number
outside a string by a mark that JSON text cannot contain, so numbers are kept
exactly as they were written: no value passes through a float.

Bytes all the way: looking at a str letter by letter would fill the interpreter's
table of known strings.
"""

MARK = b"\x01"
_QUOTE, _ESCAPE, _MINUS, _ZERO, _NINE = 0x22, 0x5C, 0x2D, 0x30, 0x39
_INSIDE = b"0123456789-+.eE"


def split(text):
    """Return (shape, numbers joined by commas) of a JSON text; all bytes."""
    shape, numbers = [], []
    at, plain, size, quoted = 0, 0, len(text), False
    while at < size:
        byte = text[at]
        if byte == _QUOTE:
            quoted = not quoted
        elif quoted:
            if byte == _ESCAPE:
                at += 1
        elif byte == _MINUS or _ZERO <= byte <= _NINE:
            end = at + 1
            while end < size and text[end] in _INSIDE:
                end += 1
            shape.append(text[plain:at])
            numbers.append(text[at:end])
            at = plain = end
            continue
        at += 1
    shape.append(text[plain:])
    return MARK.join(shape), b",".join(numbers)


def join(shape, numbers):
    """Return the text again."""
    parts, values = shape.split(MARK), numbers.split(b",")
    text = [parts[0]]
    for index in range(1, len(parts)):
        text.append(values[index - 1])
        text.append(parts[index])
    return b"".join(text)
