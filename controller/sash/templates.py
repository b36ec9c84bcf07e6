"""JSON texts taken apart into a shape and its numbers.

Messages of one kind differ only in their numbers. `split` replaces every number
outside a string by a mark that JSON text cannot contain, so numbers are kept
exactly as they were written: no value passes through a float.
"""

MARK = "\x01"
_NUMBER = "0123456789-+.eE"


def split(text):
    """Return (shape, numbers joined by commas)."""
    shape, numbers = [], []
    at, plain, size, quoted = 0, 0, len(text), False
    while at < size:
        char = text[at]
        if char == '"':
            quoted = not quoted
        elif quoted:
            if char == "\\":
                at += 1
        elif char in "-0123456789":
            end = at + 1
            while end < size and text[end] in _NUMBER:
                end += 1
            shape.append(text[plain:at])
            numbers.append(text[at:end])
            at = plain = end
            continue
        at += 1
    shape.append(text[plain:])
    return MARK.join(shape), ",".join(numbers)


def join(shape, numbers):
    """Return the text again."""
    parts, values = shape.split(MARK), numbers.split(",")
    text = [parts[0]]
    for index in range(1, len(parts)):
        text.append(values[index - 1])
        text.append(parts[index])
    return "".join(text)
