"""The running order: which act is on, when the next one is due, what its channels are called.

Pure: the time of day is handed in, in minutes since midnight.
"""

from collections.abc import Sequence

from prehowl.daemon.show.order_tables import Act
from prehowl.daemon.show.start_times import DAY_MIN, minutes_into, minutes_of

SET_BACK_MIN = (1.0, DAY_MIN / 2)
"""A clock that goes back by less has been trimmed; by more, the day has turned."""
SUMMER_TIME_MIN = (59.0, 61.0)
"""A clock that goes back by so much is most likely right in both cases: summer time ends."""


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
        self._chosen = 0  # the act that a person brought on last, and when
        self._chosen_min = float("-inf")

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
        self._choose()
        return True

    def _choose(self) -> None:
        self._chosen = self._at
        self._chosen_min = float("-inf") if self._seen_min is None else self._seen_min

    def look_at_clock(self, minute_of_day: float) -> bool:
        """Bring on what is due since the last look; tell whether the act has changed.

        The first look finds the act that should be on now. Later ones go on only when a start has
        passed in between: a person who went on early is not sent back. Where the clock itself is
        set back, what it had brought on too early is taken back, never a person's choice; starts
        that are ahead again come on at their time.
        """
        if not self._follows_clock or not self._acts:
            return False
        now_min = (minute_of_day - self._first) % DAY_MIN
        last_start = max((start for start in self._starts if start is not None), default=0)
        if now_min > (last_start + DAY_MIN) / 2:
            now_min -= DAY_MIN  # nearer to the next day's beginning: before the first act
        before, self._seen_min = self._seen_min, now_min
        if before is None:
            return self._bring_on(self._due(float("-inf"), now_min))
        if _is_set_back(before - now_min):
            self._chosen_min = min(self._chosen_min, now_min)
            due = [i for i in self._due(self._chosen_min, now_min) if i > self._chosen]
            return self._bring_on(due or [self._chosen])
        return self._bring_on([i for i in self._due(before, now_min) if i > self._at])

    def _due(self, after_min: float, until_min: float) -> list[int]:
        """Return the acts that start in that time."""
        starts = enumerate(self._starts)
        return [i for i, start in starts if start is not None and after_min < start <= until_min]

    def _bring_on(self, due: Sequence[int]) -> bool:
        """Bring on the last that is due; tell whether the act has changed."""
        before = self._at
        self._at = due[-1] if due else before
        return self._at != before

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
        self._choose()

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


def _is_set_back(minutes: float) -> bool:
    """Tell whether a clock that went back by so much has been set."""
    low, high = SUMMER_TIME_MIN
    return SET_BACK_MIN[0] < minutes < SET_BACK_MIN[1] and not low < minutes < high
