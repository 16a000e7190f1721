"""The running order: which act is on, when the next one is due, what its channels are called.

Pure: the time of day is handed in, in minutes since midnight.
"""

from collections.abc import Sequence

from prehowl.daemon.show.order_tables import Act
from prehowl.daemon.show.start_times import DAY_MIN, minutes_into, minutes_of


class RunningOrder:
    """Acts in order, one of them on. Without acts it stays empty and knows no act.

    Parameters
    ----------
    acts : sequence of Act
        From the show file, in the order they play.
    follows_clock : bool
        Whether an act's start brings it on.
    """

    def __init__(self, acts: Sequence[Act] = (), *, follows_clock: bool = False) -> None:
        self._acts = tuple(acts)
        self._starts = minutes_into([minutes_of(act.start) for act in acts])
        self._first = next((m for act in acts if (m := minutes_of(act.start)) is not None), 0)
        self._follows_clock = follows_clock
        self._at = 0
        self._seen_min: float | None = None  # minutes after the first start, at the last look

    @property
    def act(self) -> Act | None:
        """Return the act that is on, None without acts."""
        return self._acts[self._at] if self._acts else None

    @property
    def next_act(self) -> Act | None:
        """Return the act after it, None at the end."""
        return self._acts[self._at + 1] if self._at + 1 < len(self._acts) else None

    @property
    def number(self) -> int:
        """Return which act is on, from 1; 0 without acts."""
        return self._at + 1 if self._acts else 0

    def __len__(self) -> int:
        """Return how many acts there are."""
        return len(self._acts)

    def move(self, steps: int) -> bool:
        """Go on or back; tell whether there was an act to go to."""
        if not 0 <= self._at + steps < len(self._acts):
            return False
        self._at += steps
        return True

    def look_at_clock(self, minute_of_day: float) -> bool:
        """Bring on what is due since the last look; tell whether the act has changed.

        The first look finds the act that should be on now. Later ones go on only, and only when a
        start has passed in between: a person who went on early is not sent back.
        """
        if not self._follows_clock or not self._acts:
            return False
        now_min = (minute_of_day - self._first) % DAY_MIN
        last_start = max((start for start in self._starts if start is not None), default=0)
        if now_min > (last_start + DAY_MIN) / 2:
            now_min -= DAY_MIN  # nearer to the next day's beginning: before the first act
        before, self._seen_min = self._seen_min, now_min
        due = [i for i, s in enumerate(self._starts) if s is not None and s <= now_min]
        if before is not None:
            due = [i for i in due if (self._starts[i] or 0) > before and i > self._at]
        if not due or due[-1] == self._at:
            return False
        self._at = due[-1]
        return True

    def go_on_from(self, before: "RunningOrder") -> None:
        """Take up where another order was: at the act of that name, else at that place.

        The clock has been looked at up to where it was looked at there, so that a person who went
        on early is not sent back because the show file was read again.
        """
        if before.act is None or not self._acts:
            return
        same = [i for i, act in enumerate(self._acts) if act.name == before.act.name]
        nearest = min(same, key=lambda i: abs(i - before._at), default=before._at)
        self._at = min(nearest, len(self._acts) - 1)
        if before._seen_min is not None:
            self._seen_min = before._seen_min + before._first - self._first

    def names(self, names: Sequence[str], numbers: Sequence[int]) -> tuple[str, ...]:
        """Return the channels' names in this act: its own, else those given.

        Parameters
        ----------
        names : sequence of str
            By row, as they are without a running order.
        numbers : sequence of int
            Channel number of each row.
        """
        told = {} if self.act is None else {c.number: c.name for c in self.act.channels}
        return tuple(told.get(number) or name for number, name in zip(numbers, names, strict=True))
