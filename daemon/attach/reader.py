"""Packets of a daemon back into snapshots, events and notes; the other half of `wire.py`.

Strict: a packet with other addresses or types than documented is refused as a whole.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from prehowl.daemon.attach.wire import (
    FULL,
    LEVELS,
    LIVING,
    PART,
    ROW,
    SHOW,
    STATUS,
    SUSPICION,
    TARGET,
    WEAK,
    Shown,
)
from prehowl.daemon.events import Alert, RingEvent
from prehowl.daemon.facts import facts_of
from prehowl.daemon.notes import Note
from prehowl.daemon.osc_in.decode import Malformed, Message, messages_in
from prehowl.daemon.sinks.base import Health, Snapshot
from prehowl.daemon.sinks.osc_messages import (
    BYE,
    CONTRACT_VERSION,
    CONTROL,
    NOTHING,
    RING,
    UNKNOWN,
    Spec,
)
from prehowl.daemon.sources.base import SourceHealth
from prehowl.daemon.weak_bands import from_indices
from prehowl.detectors.rings import RingState

BANDS = 31
MOST_ROWS = 256
MOST_PARTS = 64


class NotUnderstood(ValueError):
    """A packet that is no word of a daemon of this contract."""


@dataclass(slots=True)
class Heard:
    """What one packet has brought."""

    shown: Shown | None = None
    snapshot: Snapshot | None = None
    events: list[RingEvent] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    has_ended: bool = False
    places_taken: int = 0  # all that there are, where there was none for us


@dataclass(slots=True)
class _Parts:
    """Parts of the newest show or view, until all are there."""

    sequence: int = -1
    found: dict[int, Sequence[Message]] = field(default_factory=dict)

    def take(self, part: Message, rest: Sequence[Message]) -> list[Message] | None:
        """Return all messages once the last part is there."""
        _, sequence, number, count = part.arguments
        assert isinstance(sequence, int)  # the spec's tags have been checked
        assert isinstance(number, int)
        assert isinstance(count, int)
        if not 1 <= number <= count <= MOST_PARTS:
            raise NotUnderstood("parts that cannot be")
        if sequence != self.sequence:
            self.sequence, self.found = sequence, {}
        self.found[number] = rest
        if len(self.found) < count:
            return None
        return [message for i in sorted(self.found) for message in self.found[i]]


class Reader:
    """Understands one daemon; keeps what is needed to put parts together."""

    def __init__(self) -> None:
        self._parts = {"show": _Parts(), "view": _Parts()}
        self._shown: Shown | None = None

    def read(self, packet: bytes) -> Heard:
        """Return what a packet brings.

        Raises
        ------
        NotUnderstood
            If it is no OSC, or not what a daemon of this contract says.
        """
        try:
            messages = messages_in(packet)
        except Malformed as fault:
            raise NotUnderstood(str(fault)) from None
        heard = Heard()
        if messages and messages[0].address == PART.address:
            self._read_part(messages, heard)
            return heard
        for message in messages:
            if message.address == RING.address:
                heard.events.append(_event(message, RING))
            elif message.address == CONTROL.address:
                heard.notes.append(_note(message))
            elif message.address == BYE.address:
                heard.has_ended = True
            elif message.address == FULL.address:
                (heard.places_taken,) = _of(message, FULL)
        return heard

    def _read_part(self, messages: Sequence[Message], heard: Heard) -> None:
        of = _of(messages[0], PART)[0]
        if of not in self._parts:
            raise NotUnderstood("parts of nothing known")
        whole = self._parts[of].take(messages[0], messages[1:])
        if whole is None:
            return
        if not whole:
            raise NotUnderstood("parts with nothing in them")
        if of == "show":
            self._shown = heard.shown = _shown(whole)
        elif self._shown is not None:
            heard.snapshot = _snapshot(whole, self._shown)


def _of(message: Message, spec: Spec) -> tuple[Any, ...]:
    """Return the arguments of a message that must be of a spec."""
    if message.address != spec.address or f",{message.tags}" != spec.tags:
        raise NotUnderstood(f"{message.address} ,{message.tags}")
    if any(isinstance(value, float) and not math.isfinite(value) for value in message.arguments):
        raise NotUnderstood(f"{message.address} with a figure that is none")
    return message.arguments


def _shown(messages: Sequence[Message]) -> Shown:
    contract, rows, title, version = _of(messages[0], SHOW)
    if contract != CONTRACT_VERSION:
        raise NotUnderstood(f"the daemon speaks contract {contract}, this is {CONTRACT_VERSION}")
    told = [_of(message, ROW) for message in messages[1 : rows + 1]]
    if not 0 < rows <= MOST_ROWS or [row for row, _, _ in told] != list(range(rows)):
        raise NotUnderstood("rows that are not all there")
    numbers, names = tuple(n for _, n, _ in told), tuple(name for *_, name in told)
    return Shown(title, version, numbers, names, _weak(messages[rows + 1 :], rows))


def _weak(messages: Sequence[Message], rows: int) -> tuple[frozenset[int], ...]:
    """Return the weak bands of each row; none where the daemon told of none."""
    if not messages:
        return (frozenset(),) * rows
    (blob,) = _of(messages[0], WEAK)
    if len(messages) > 1 or len(blob) != 4 * rows:
        raise NotUnderstood("weak bands of other rows")
    return tuple(
        frozenset(band for band in range(BANDS) if bits >> band & 1)
        for bits in np.frombuffer(blob, ">u4").tolist()
    )


def _snapshot(messages: Sequence[Message], shown: Shown) -> Snapshot:
    rows = len(shown.names)
    level, peak = np.full((2, rows), -300, np.float32)
    suspicion = np.zeros((rows, BANDS), np.float32)
    targets, rings = [], []
    (time_ms, load, overflows, dropped, lost, state, detail, *act) = _of(messages[0], STATUS)
    for message in messages[1:]:
        if message.address == LEVELS.address:
            level, peak = (_levels(blob, rows) for blob in _of(message, LEVELS))
        elif message.address == SUSPICION.address:
            _fill(suspicion, *_of(message, SUSPICION))
        elif message.address == TARGET.address:
            targets.append(_of(message, TARGET))
        else:
            rings.append(_event(message, LIVING))
    number, acts, name, next_name, held = act
    return Snapshot(
        time_s=time_ms / 1000,
        level_dbfs=level,
        peak_dbfs=peak,
        suspicion=suspicion,
        rings=tuple(rings),
        health=Health(
            SourceHealth(state, overflows, lost, facts_of([detail])),
            load,
            dropped,
            tuple((name, said) for name, said in targets),
        ),
        names=shown.names,
        act=_text(name),
        next_act=_text(next_name),
        act_number=number,
        acts=acts,
        held=frozenset(int(n) for n in np.frombuffer(_even(held), ">i2") if n),
        weak_bands={
            number: from_indices(bands)
            for number, bands in zip(shown.numbers, shown.weak, strict=True)
            if bands
        },
    )


def _levels(blob: bytes, rows: int) -> Any:
    if len(blob) != 2 * rows:
        raise NotUnderstood("levels of other rows")
    return np.frombuffer(blob, ">i2").astype(np.float32) / 10


def _fill(suspicion: Any, first: int, bands: int, blob: bytes) -> None:
    rows = len(blob) // BANDS
    if bands != BANDS or rows * BANDS != len(blob) or not 0 <= first <= len(suspicion) - rows:
        raise NotUnderstood("suspicion of other rows or bands")
    values = np.frombuffer(blob, np.uint8).reshape(rows, BANDS)
    suspicion[first : first + rows] = values.astype(np.float32) / 255


def _event(message: Message, spec: Spec) -> RingEvent:
    told = dict(zip((name for _, name in spec.arguments), _of(message, spec), strict=True))
    try:
        state = RingState(told["state"])
    except ValueError:
        raise NotUnderstood("a state that is none") from None
    return RingEvent(
        id=told["id"],
        channel=told["channel"],
        channel_name=told["channel_name"],
        state=state,
        time_s=told["time_ms"] / 1000,
        onset_s=_known(told["onset_ms"], lambda ms: ms / 1000),
        frequency_hz=told["frequency_hz"],
        band_hz=round(told["band_hz"], 1),
        level_dbfs=told["level_dbfs"],
        growth_db_per_s=_known(told["growth_db_per_s"]),
        margin_db=_known(told["margin_db"]),
        cut_db=_known(told["cut_db"], lambda cut: round(cut, 1)),
        act=_text(told["act"]),
        sheet_cut_db=_known(told["sheet_cut_db"], lambda cut: round(cut, 1)),
        sheet_at_cap=bool(told["sheet_at_cap"]),
        alert=Alert(
            id=told["alert"],
            channel=told["lead"],
            channel_name=told["lead_name"],
            mic_channel=told["mic_channel"] or None,
            mix_channel=told["mix_channel"] or None,
            **{name: _text(told[name]) for name in ("mic", "mix", "wedge")},
        ),
    )


def _note(message: Message) -> Note:
    verb, by, done, channel, effect, act, time_ms = _of(message, CONTROL)
    return Note(time_ms / 1000, verb, by, bool(done), effect, channel or None, _text(act))


def _known(value: float, shape: Callable[[float], float] = float) -> float | None:
    return None if value == UNKNOWN else shape(value)


def _text(value: str) -> str | None:
    return None if value == NOTHING else value


def _even(blob: bytes) -> bytes:
    return blob[: len(blob) // 2 * 2]
