"""Obeys commands on the loop's thread: acts, holds, acknowledgements, snapshots; notes each one.

Commands come from other threads (OSC, keys) and wait until the loop asks. What is shown follows
from the notes and from the snapshots; nothing here touches the analysis.
"""

import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from prehowl.daemon.desk.running_order import RunningOrder
from prehowl.daemon.notes import ChannelLevel, Note
from prehowl.daemon.osc_in.verbs import Command, Verb
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.weak_bands import WeakBands

MOST_WAITING = 64
CLOCK_LOOK_S = 1.0
NO_RINGOUT = "no ring-out is running here; `prehowl ringout` takes this"


def _no_ringout(_command: Command) -> tuple[bool, str]:
    """Stand in where no ring-out is running."""
    return False, NO_RINGOUT


class CommandSource(Protocol):
    """Where commands come from; `osc_in.receiver.Receiver` is one."""

    def take(self) -> list[Command]:
        """Return the commands that wait, oldest first; returns at once."""


def minute_of_day() -> float:
    """Return the local time of day in minutes since midnight."""
    now = time.localtime()
    return now.tm_hour * 60 + now.tm_min + now.tm_sec / 60


class Desk:
    """The state that commands change: the act, and which channels are held.

    Parameters
    ----------
    names : sequence of str
        Channel names by row, as they are without a running order.
    numbers : sequence of int
        Channel number of each row.
    order : RunningOrder, optional
        Default: no acts.
    sources : sequence of CommandSource
        Asked each time the loop asks.
    clock : callable
        Minute of the day, for a running order that follows the clock.
    seconds : callable, optional
        Monotonic seconds, by which a live run ends holds and looks at that clock; without it they
        go by stream time, so that a run over the same samples is the same at any pace.
    ringout : callable
        Carries out the verbs of a ring-out; returns whether it was done, and what came of it.
    weak_bands : mapping, optional
        Name of an act -> channel number -> what its EQ sheets of its own say.
    """

    def __init__(
        self,
        names: Sequence[str],
        numbers: Sequence[int],
        *,
        order: RunningOrder | None = None,
        sources: Sequence[CommandSource] = (),
        clock: Callable[[], float] = minute_of_day,
        seconds: Callable[[], float] | None = None,
        ringout: Callable[[Command], tuple[bool, str]] = _no_ringout,
        weak_bands: Mapping[str, Mapping[int, WeakBands]] | None = None,
    ) -> None:
        self._base_names, self._numbers = tuple(names), tuple(numbers)
        self._order = order or RunningOrder()
        self._sources = tuple(sources)
        self._clock = clock
        self._seconds = seconds
        self._ringout = ringout
        self._weak_bands = weak_bands or {}
        self._usual_bands: Mapping[int, WeakBands] | None = None
        self._looked_s = float("-inf")
        self._waiting: deque[Command] = deque(maxlen=MOST_WAITING)
        self._held_until_s: dict[int, float] = {}  # by the clock of `_passed_s`
        self._order.look_at_clock(clock())
        self.names = self._order.names(self._base_names, self._numbers)

    @property
    def act(self) -> str | None:
        """Return the name of the act that is on, None without a running order."""
        act = self._order.act
        return None if act is None else act.name

    def weak_bands(self, usual: Mapping[int, WeakBands]) -> Mapping[int, WeakBands]:
        """Return what is known of the channels' bands in this act; `usual` if it has no own."""
        usual = usual if self._usual_bands is None else self._usual_bands
        return self._weak_bands.get(self.act or "", usual)

    def take_show(
        self,
        names: Sequence[str],
        order: RunningOrder,
        *,
        usual_bands: Mapping[int, WeakBands],
        act_bands: Mapping[str, Mapping[int, WeakBands]],
    ) -> None:
        """Go by another show file: names by row, acts, weak bands; the act that is on stays on.

        `usual_bands` then holds in place of what `weak_bands` is asked with. Loop's thread.
        """
        order.go_on_from(self._order)
        self._base_names, self._order = tuple(names), order
        self._usual_bands, self._weak_bands = usual_bands, act_bands
        self.names = order.names(self._base_names, self._numbers)

    @property
    def order(self) -> RunningOrder:
        """Return the running order; only `obey` may move it."""
        return self._order

    @property
    def held(self) -> frozenset[int]:
        """Return the numbers of the channels that are held."""
        return frozenset(self._held_until_s)

    def put(self, command: Command) -> None:
        """Take a command from any thread; it is obeyed when the loop asks next."""
        self._waiting.append(command)

    def obey(self, time_s: float, snapshot: Callable[[], Snapshot]) -> list[Note]:
        """Carry out what waits and what is due; return a note of each.

        Parameters
        ----------
        time_s : float
            Stream time.
        snapshot : callable
            Makes a snapshot of now, where one is asked for.
        """
        notes = self._due(time_s)
        commands = [command for source in self._sources for command in source.take()]
        while self._waiting:
            commands.append(self._waiting.popleft())
        return notes + [self._obeyed(command, time_s, snapshot) for command in commands]

    def _passed_s(self, time_s: float) -> float:
        """Return the seconds that holds and looks at the clock are counted in."""
        return time_s if self._seconds is None else self._seconds()

    def _due(self, time_s: float) -> list[Note]:
        notes = []
        now_s = self._passed_s(time_s)
        for number, until_s in sorted(self._held_until_s.items()):
            if now_s >= until_s:
                del self._held_until_s[number]
                text = f"the hold on {self._name(number)} is over"
                notes.append(self._note(time_s, Command(Verb.HOLD, "clock", number), text))
        if abs(now_s - self._looked_s) >= CLOCK_LOOK_S:
            self._looked_s = now_s
            before = self._order.number
            if self._order.look_at_clock(self._clock()):
                is_on = self._order.number > before
                verb = Verb.NEXT_ACT if is_on else Verb.PREVIOUS_ACT
                notes.append(self._act_note(time_s, Command(verb, "clock")))
        return notes

    def _obeyed(self, command: Command, time_s: float, snapshot: Callable[[], Snapshot]) -> Note:
        if command.verb in (Verb.NEXT_ACT, Verb.PREVIOUS_ACT):
            return self._moved(command, time_s)
        if command.channel and command.channel not in self._numbers:
            text = f"channel {command.channel} is not watched here"
            return self._note(time_s, command, text, done=False)
        if command.verb is Verb.HOLD:
            return self._hold(command, time_s)
        if command.verb is Verb.ACKNOWLEDGE:
            whose = self._name(command.channel) if command.channel else "what is shown large"
            return self._note(time_s, command, f"acknowledged: {whose}")
        if command.verb is Verb.SNAPSHOT:
            return self._snapshot(command, time_s, snapshot())
        done, text = self._ringout(command)
        return self._note(time_s, command, text, done=done)

    def _moved(self, command: Command, time_s: float) -> Note:
        is_on = command.verb is Verb.NEXT_ACT
        if self._order.move(1 if is_on else -1):
            return self._act_note(time_s, command)
        if not len(self._order):
            why = "the show file has no running order"
        else:
            why = f"{self.act} is the {'last' if is_on else 'first'} act"
        return self._note(time_s, command, why, done=False)

    def _act_note(self, time_s: float, command: Command) -> Note:
        self.names = self._order.names(self._base_names, self._numbers)
        text = f"act {self._order.number} of {len(self._order)}: {self.act}"
        return self._note(time_s, command, text)

    def _hold(self, command: Command, time_s: float) -> Note:
        name = self._name(command.channel)
        if command.seconds:
            self._held_until_s[command.channel] = self._passed_s(time_s) + command.seconds
            text = f"{name} is held for {command.seconds} s; a howl still shows"
        elif self._held_until_s.pop(command.channel, None) is not None:
            text = f"{name} is held no longer"
        else:
            text = f"{name} was not held"
        return self._note(time_s, command, text)

    def _snapshot(self, command: Command, time_s: float, now: Snapshot) -> Note:
        rows = zip(self._numbers, self.names, now.level_dbfs, now.peak_dbfs, strict=True)
        return Note(
            time_s=time_s,
            verb=str(command.verb),
            by=command.by,
            done=True,
            effect=f"snapshot {command.text}".rstrip(),
            act=self.act,
            text=command.text,
            levels=tuple(ChannelLevel(n, name, float(a), float(b)) for n, name, a, b in rows),
            rings=now.rings,
        )

    def _note(self, time_s: float, command: Command, text: str, *, done: bool = True) -> Note:
        return Note(
            time_s=time_s,
            verb=str(command.verb),
            by=command.by,
            done=done,
            effect=text,
            channel=command.channel or None,
            act=self.act,
        )

    def _name(self, number: int) -> str:
        return dict(zip(self._numbers, self.names, strict=True)).get(number, f"Ch {number}")
