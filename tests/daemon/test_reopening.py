"""When a lost device is tried again, and at which rate."""

import pytest

from prehowl.daemon.errors import DeviceFault
from prehowl.daemon.sources.capture_process import Wish
from prehowl.daemon.sources.reopening import RETRY_FIRST_S, RETRY_LONGEST_S, Reopening

OTHER = DeviceFault.VANISHED
REFUSED = DeviceFault.RATE_REFUSED


def reopening(asked_hz: int | None = 48000, *, adapts: bool = True) -> Reopening:
    """Return the tries of a device that delivered at 48 kHz."""
    return Reopening(Wish(0, (1, 2), None, 48000, None, adapts), asked_hz)


def test_a_device_that_went_is_tried_at_once_then_rarer():
    """Oracle: the rule: at once, then after 0.1 s, doubled up to 2 s; from the start once it was
    back."""
    tries = reopening()
    assert tries.lost(OTHER, 100.0, has_delivered=True)
    assert tries.is_due(100.0)
    pauses = []
    for _ in range(8):
        assert tries.lost(OTHER, 0.0, has_delivered=False)
        pauses.append(next(ms / 1000 for ms in range(5000) if tries.is_due(ms / 1000)))
    assert pauses == pytest.approx([0.1, 0.2, 0.4, 0.8, 1.6, *[RETRY_LONGEST_S] * 3])
    tries.delivers(48000, None)
    tries.lost(OTHER, 0.0, has_delivered=False)
    assert tries.is_due(RETRY_FIRST_S)


@pytest.mark.parametrize(("asked_hz", "first_hz"), [(48000, 48000), (None, 44100)])
def test_every_try_begins_with_the_rate_that_was_asked_for(asked_hz, first_hz):
    """Oracle: definition. Only where it is refused, the device's own rate, at once and without
    news; where nobody asked, the rate of last time comes first."""
    tries = reopening(asked_hz)
    tries.lost(OTHER, 0.0, has_delivered=True)
    assert tries.wish.rate_hz == 48000
    assert not tries.lost(REFUSED, 7.0, has_delivered=False)
    assert tries.wish.rate_hz is None
    assert tries.is_due(7.0)
    tries.delivers(44100, {"name": "as it is now"})
    assert tries.wish.identity == {"name": "as it is now"}
    assert tries.wish.rate_hz == first_hz
    tries.lost(OTHER, 8.0, has_delivered=True)
    assert not tries.lost(REFUSED, 9.0, has_delivered=False)
    assert tries.lost(OTHER, 9.0, has_delivered=False)
    assert tries.wish.rate_hz == first_hz
    assert not tries.is_due(9.0)


def test_who_does_not_adapt_waits_for_the_rate():
    """Oracle: definition. A refused rate is a fault like any other."""
    tries = reopening(adapts=False)
    assert tries.lost(REFUSED, 0.0, has_delivered=False)
    assert tries.wish.rate_hz == 48000
    assert not tries.is_due(0.0)
