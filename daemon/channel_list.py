"""Channel numbers as one types them: '1,3-5'."""

import re
from collections.abc import Sequence

from prehowl.daemon.errors import UsageError

HIGHEST = 1024
PART = re.compile(r"(\d{1,4})(?:-(\d{1,4}))?")


def parse_channel_list(text: str) -> tuple[int, ...]:
    """Return the channel numbers of a list such as '1,3-5', in the order given.

    Raises
    ------
    UsageError
        If it is no such list, counts from 0, runs backwards, or names a channel twice.
    """
    numbers: list[int] = []
    for part in text.replace(" ", "").split(","):
        match = PART.fullmatch(part)
        if match is None:
            raise _refusal(text, f"{part!r} is neither a number nor a range")
        first, last = int(match[1]), int(match[2] or match[1])
        if not 1 <= first <= last <= HIGHEST:
            raise _refusal(text, f"{part!r} is not within 1 to {HIGHEST}, or runs backwards")
        numbers.extend(range(first, last + 1))
    if len(set(numbers)) < len(numbers):
        raise _refusal(text, "a channel is named twice")
    return tuple(numbers)


def channel_words(numbers: Sequence[int]) -> str:
    """Return channel numbers for people, runs folded: '1, 3-5'."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{low}" if low == high else f"{low}-{high}" for low, high in runs)


def named_channels(numbers: Sequence[int]) -> str:
    """Return channel numbers with their noun: 'channel 7', 'channels 1, 3-5'."""
    return f"channel{'s' * (len(numbers) != 1)} {channel_words(numbers)}"


def _refusal(text: str, why: str) -> UsageError:
    return UsageError(f"channels {text!r}: {why}. Write them like 1,3-5, counted from 1")
