"""Keys: what a keyboard delivers, read by read, and what it asks for. Knows no terminal.

An arrow is three marks that need not come in one read. The first of them alone is the Escape key,
and the others alone would be keys with meanings of their own (`[` is the act before); so what may
be the beginning of such a key waits for its end, for as long as no hand is quick enough to type it.
"""

import codecs
from collections.abc import Mapping

KEYS = {
    "\x1b[C": "next", "\x1b[6~": "next", "n": "next", " ": "next",
    "\x1b[D": "back", "\x1b[5~": "back", "p": "back",
    "\x1bOC": "next", "\x1bOD": "back",
    "a": "acknowledge", "\r": "acknowledge", "\n": "acknowledge",
    "]": "next_act", "[": "previous_act",
    **{digit: f"pick {digit}" for digit in "0123456789"},
    "w": "worst", "t": "theme", "q": "quit",
}  # fmt: skip
"""The dashboard's: key or escape sequence -> action; small letters stand for both cases."""

ESCAPE_S = 0.1
"""So long after its beginning a key counts as whole. Our choice: a terminal sends a key's marks
together, and a network hardly holds them apart for longer."""


def actions_of(typed: str, keys: Mapping[str, str] = KEYS) -> list[str]:
    """Return what each key in a burst of input asks for; unknown keys ask for nothing.

    Parameters
    ----------
    typed : str
        What the terminal delivered, whole keys only.
    keys : mapping of str to str
        Key or escape sequence to action; the dashboard's by default. A small letter stands for
        both cases.
    """
    found, at = [], 0
    while at < len(typed):
        length = _escape_length(typed, at) if typed[at] == "\x1b" else 1
        word = typed[at : at + length]
        action = keys.get(word if length > 1 else word.lower())
        found += [action] if action else []
        at += length
    return found


class Keystrokes:
    """Turns reads into actions; a key that has not come whole waits for the next read.

    Parameters
    ----------
    keys : mapping of str to str
        As for `actions_of`.
    """

    def __init__(self, keys: Mapping[str, str] = KEYS) -> None:
        self._keys = keys
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")
        self._begun = ""  # a key without its end
        self._whole_s = 0.0  # when it counts as whole

    def patience_s(self, wanted_s: float) -> float:
        """Return how long the next read may wait, where it need not be longer than so."""
        return min(wanted_s, ESCAPE_S) if self._begun else wanted_s

    def take(self, data: bytes, now_s: float) -> list[str]:
        """Return the actions of one read.

        Parameters
        ----------
        data : bytes
            What came; empty where nothing did.
        now_s : float
            Monotonic time.
        """
        typed = self._begun + self._decoder.decode(data)
        if data:
            self._whole_s = now_s + ESCAPE_S
        end = len(typed) if now_s >= self._whole_s else _end_of_whole(typed)
        self._begun = typed[end:]
        return actions_of(typed[:end], self._keys)


def _escape_length(typed: str, at: int) -> int:
    """Return how many characters an escape sequence takes, so that its tail is no key.

    One more than there are where its end has not come.
    """
    if typed[at + 1 : at + 2] not in ("[", "O"):
        return 1
    end = at + 2
    while end < len(typed) and not typed[end].isalpha() and typed[end] != "~":
        end += 1
    return end + 1 - at


def _end_of_whole(typed: str) -> int:
    """Return where the last key begins, if it may not be whole; else the end."""
    at = typed.rfind("\x1b")
    rest = len(typed) - at
    is_begun = at >= 0 and (rest == 1 or _escape_length(typed, at) > rest)
    return at if is_begun else len(typed)
