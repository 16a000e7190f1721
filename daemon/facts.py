"""What is wrong now, fact by fact, so that one which stands does not hide another that comes."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

MOST_NAMES = 4
BETWEEN = "; "
"""Stands between facts in one line, so never within one of ours."""


@dataclass(frozen=True, slots=True)
class Fact:
    """One thing that is not as it should be.

    Two facts with the same `key` are one fact that still stands, whatever else is said of it.
    """

    what: str  # enough to say that it is over
    more: str = ""  # follows it, for a person; may count, which is no news
    channel: int = 0  # number of the channel that it is about; 0: of none
    who: str = ""  # that channel in words
    flickers: bool = False  # comes and goes with the music

    @property
    def key(self) -> tuple[int, str]:
        """What it is known by."""
        return self.channel, self.what

    @property
    def text(self) -> str:
        """The whole of it, for a person."""
        return lines_of([self])[0]

    @property
    def over(self) -> str:
        """Say that it is over."""
        return f"no more: {lines_of([self], with_more=False)[0]}"


def facts_of(texts: Iterable[str]) -> tuple[Fact, ...]:
    """Return a fact for each text that is not empty."""
    return tuple(Fact(text) for text in texts if text)


def lines_of(facts: Sequence[Fact], *, with_more: bool = True) -> tuple[str, ...]:
    """Return facts as lines for a person; what is true of several channels is one line.

    Parameters
    ----------
    facts : sequence of Fact
    with_more : bool
        Whether to say more than what it is, such as what to do; not where it is over.
    """
    groups: dict[str, list[Fact]] = {}
    for fact in facts:
        groups.setdefault(fact.what, []).append(fact)
    return tuple(_line(group, with_more) for group in groups.values())


def _line(group: Sequence[Fact], with_more: bool) -> str:
    what = group[0].what + (group[0].more if with_more else "")
    named = [fact.who for fact in group if fact.who]
    if not named:
        return what
    more = f" and {len(named) - MOST_NAMES} more" if len(named) > MOST_NAMES else ""
    return f"{', '.join(named[:MOST_NAMES])}{more}: {what}"
