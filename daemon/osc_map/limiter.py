"""A rate limit for each address, where the latest wins: a storm cannot flood a receiver.

Pure: time is handed in. All mappings of one receiver share one, so that 'off' is never sent before
an 'on' that came earlier.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

from prehowl.daemon.sinks.osc_bytes import Value

MOST_ADDRESSES = 4096
"""Addresses remembered; far more than channels times states, so that memory stays bounded."""


def _always() -> bool:
    """Stand in for messages that stay true."""
    return True


@dataclass(frozen=True, slots=True)
class Mapped:
    """One message that a mapping has made."""

    address: str
    values: tuple[Value, ...]
    bundle: str  # "none", "immediate" or "time"
    time_tag_s: float  # wall time, for a bundle with a time
    interval_s: float  # least time to the next one at this address
    is_true: Callable[[], bool] = _always  # asked of one that has waited: does it still hold?


@dataclass(slots=True)
class _Slot:
    free_at_s: float = float("-inf")
    waiting: Mapped | None = None


@dataclass(slots=True)
class Limiter:
    """Lets messages through at once, or the latest of them once its address is free again."""

    replaced: int = 0  # messages that a later one has overtaken
    _slots: dict[str, _Slot] = field(default_factory=dict)
    _order: list[Mapped] = field(default_factory=list)

    def put(self, message: Mapped, now_s: float) -> None:
        """Take one message."""
        slot = self._slots.setdefault(message.address, _Slot())
        if now_s >= slot.free_at_s and slot.waiting is None:
            slot.free_at_s = now_s + message.interval_s
            self._order.append(message)
        else:
            self.replaced += slot.waiting is not None
            slot.waiting = message
        if len(self._slots) > MOST_ADDRESSES:
            self._forget(now_s)

    def due(self, now_s: float, *, all_of_them: bool = False) -> list[Mapped]:
        """Return what may leave now, each once, in the order it came."""
        found, self._order = self._order, []
        waiting = [slot for slot in self._slots.values() if slot.waiting is not None]
        for slot in sorted(waiting, key=lambda slot: slot.free_at_s):
            if all_of_them or now_s >= slot.free_at_s:
                found += self._released(slot, now_s)
        return found

    def _released(self, slot: _Slot, now_s: float) -> list[Mapped]:
        """Empty a slot; 'on' that has become untrue while it waited must not follow its 'off'."""
        message, slot.waiting = slot.waiting, None
        if message is None or not message.is_true():
            self.replaced += 1
            return []
        slot.free_at_s = now_s + message.interval_s
        return [message]

    def next_s(self) -> float:
        """Return when something may leave, infinity for never."""
        if self._order:
            return float("-inf")
        slots = self._slots.values()
        return min((slot.free_at_s for slot in slots if slot.waiting), default=float("inf"))

    def _forget(self, now_s: float) -> None:
        """Drop what is free again; if that is not enough, what has waited longest."""
        kept = {a: s for a, s in self._slots.items() if s.waiting or s.free_at_s > now_s}
        while len(kept) > MOST_ADDRESSES:
            kept.pop(next(iter(kept)))
            self.replaced += 1
        self._slots = kept
