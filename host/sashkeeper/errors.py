"""Faults that a grower can be told about in one sentence.

Everything that is expected to go wrong raises one of these; the command line
prints the sentence and leaves with the exit code. A traceback therefore means
a mistake of ours.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class SashkeeperError(Exception):
    """A fault with its own sentence: what is wrong, where, what to do."""

    exit_code = 1

    def __init__(self, sentence: str) -> None:
        super().__init__(sentence)
        self.sentence = sentence


class InputError(SashkeeperError):
    """What was asked for cannot be done as written; nothing was changed."""

    exit_code = 2


class JobError(SashkeeperError):
    """What was asked for is right, but doing it failed."""

    exit_code = 1


class UnknownFrame(InputError):
    """No frame has this name."""


class StoreError(JobError):
    """The store cannot be used."""


class NotOurStore(StoreError):
    """The file is there, but Sashkeeper did not make it."""


class StoreFull(StoreError):
    """No space is left where the store is kept."""


class StoreBusy(StoreError):
    """Another program holds the store for longer than we are ready to wait."""


class BrokerError(JobError):
    """The broker does not answer, or turned us away."""


def nearest(word: str, known: Iterable[str]) -> str:
    """Return `` Did you mean "spinach"?`` for the nearest known word, or nothing.

    The leading space lets the caller append it to a sentence as it is.
    """
    close = difflib.get_close_matches(word.lower(), list(known), n=1, cutoff=0.6)
    return f' Did you mean "{close[0]}"?' if close else ""


def unknown_frame(word: str, known: Iterable[str]) -> UnknownFrame:
    """Build the error for a frame that is not registered, with the nearest name or the list of names."""
    names = sorted(known)
    hint = nearest(word, names)
    if not hint:
        shown = ", ".join(names[:8]) + (" ..." if len(names) > 8 else "")
        hint = f" Known frames: {shown}." if names else ' Add one with "sashkeeper frames add NAME".'
    return UnknownFrame(f'No frame called "{word}".{hint} Nothing was changed.')
