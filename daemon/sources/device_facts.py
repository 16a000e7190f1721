"""What a live audio interface tells of itself, in words: how it is not as it should be."""

from collections.abc import Sequence

from prehowl.daemon.channel_list import named_channels
from prehowl.daemon.facts import Fact
from prehowl.daemon.sleep import sleep_words

SILENCE_S = 1.0
"""Exact zeros on every channel for this long are no microphone: even a good preamp has noise."""

LAG_S = 0.5
"""Further behind than this, an alarm comes too late to be of use: the person must know."""

MOVED_S = 10.0
"""How long it is told that a device has come back under another name: long enough to be read."""

WOKEN_S = 10.0
"""How long it is told that the computer slept."""


def lost(name: str, fault: str) -> Fact:
    """Return that a device is away, and why."""
    return Fact(f"{name!r} lost", f" ({fault}); opening it again as soon as it is back")


def moved(name: str, before: str, delivered_s: float) -> tuple[Fact, ...]:
    """Return that a device came back under another name, while that is news.

    Parameters
    ----------
    name, before : str
        As it is called now, and as it was when it was open the last time.
    delivered_s : float
        For how long it has delivered since it came back.
    """
    if name == before or delivered_s > MOVED_S:
        return ()
    return (Fact("another card number", f": {name!r} is taken for {before!r}"),)


def woken(slept_s: float, ago_s: float) -> tuple[Fact, ...]:
    """Return that the computer slept, while that is news.

    Parameters
    ----------
    slept_s : float
        For how long.
    ago_s : float
        How long ago it woke.
    """
    if ago_s > WOKEN_S:
        return ()
    more = f": the computer slept for {sleep_words(slept_s)} and heard nothing"
    return (Fact("just woken up", more),)


def not_as_asked(
    name: str, asked_hz: int | None, rate_hz: int, gone: Sequence[int]
) -> tuple[Fact, ...]:
    """Return in what a device that is open differs from what was asked for.

    Parameters
    ----------
    name : str
    asked_hz : int or None
        Rate that a person asked for.
    rate_hz : int
        Rate that it runs at.
    gone : sequence of int
        Numbers of the channels that it has no inputs for any more.
    """
    facts = []
    if asked_hz not in (None, rate_hz):
        facts.append(Fact(f"{name!r} runs at {rate_hz} Hz, {asked_hz} Hz was asked for"))
    if gone:
        said = f"{name!r} came back without {named_channels(gone)}"
        facts.append(Fact(said, " (the others are watched)"))
    return tuple(facts)


def lag_or_silence(name: str, lag_s: float, silent_s: float) -> tuple[Fact, ...]:
    """Return that the reader is too late, else that only zeros come; nothing while all is well."""
    if lag_s > LAG_S:
        advice = "close other programs, or watch fewer channels"
        return (Fact("analysis is behind", f" by {lag_s:.1f} s: {advice}"),)
    if silent_s > SILENCE_S:
        more = f" for {silent_s:.0f} s: is {name!r} still connected?"
        return (Fact("exact digital silence on every channel", more),)
    return ()
