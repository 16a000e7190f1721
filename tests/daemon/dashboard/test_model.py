"""What the dashboard remembers: the worst first, acknowledging, holding, quitting."""

from dataclasses import replace

import numpy as np
import pytest

from prehowl.daemon.events import Alert, RingEvent
from prehowl.daemon.sinks.dashboard import examples
from prehowl.daemon.sinks.dashboard import model as m
from prehowl.daemon.sinks.dashboard.log import LOG_LENGTH
from prehowl.detectors.rings import RingState

SUSPECT, RINGING, HOWLING, CLEARED = RingState


def ring(state, id_=1, channel=1, **changes):
    """Return an event."""
    return replace(examples.event(state, channel, id_=id_), **changes)


def model(*events, now_s=0.0):
    """Return a model of eight channels that has taken the events."""
    made = m.Model(examples.names(8))
    for event in events:
        made.take_event(event, now_s)
    return made


def test_worst_first():
    """Howling before ringing before suspect, then by growth, then by level: as for every sink."""
    rings = [
        ring(SUSPECT, 1, growth_db_per_s=90.0),
        ring(RINGING, 2, growth_db_per_s=5.0),
        ring(HOWLING, 3, growth_db_per_s=None),
        ring(RINGING, 4, growth_db_per_s=50.0),
        ring(RINGING, 5, growth_db_per_s=5.0, level_dbfs=-3.0),
    ]
    view = model(*rings).view(0.0)
    assert [one.id for one in view.rings] == [3, 4, 5, 2, 1]
    assert view.focus.id == 3


def test_the_large_message_does_not_flicker_between_equals():
    """A ring of the same state takes over only when TAKE_OVER_DB louder; a worse one at once."""
    made = model(ring(RINGING, 1, level_dbfs=-20.0, growth_db_per_s=5.0))
    assert made.view(0.0).focus.id == 1
    made.take_event(ring(RINGING, 2, level_dbfs=-18.0, growth_db_per_s=50.0), 0.1)
    assert made.view(0.1).focus.id == 1
    made.take_event(ring(RINGING, 3, level_dbfs=-13.0, growth_db_per_s=50.0), 0.2)
    assert made.view(0.2).focus.id == 3
    made.take_event(ring(HOWLING, 4, level_dbfs=-40.0), 0.3)
    assert made.view(0.3).focus.id == 4


def test_acknowledging_quiets_one_ring_until_its_state_changes():
    """The ring stays listed; the next worst takes the space; a change of state brings it back."""
    made = model(ring(RINGING, 1), ring(SUSPECT, 2, channel=2))
    made.view(0.0)
    made.acknowledge()
    view = made.view(0.1)
    assert view.focus.id == 2
    assert {one.id for one in view.rings} == {1, 2}
    assert view.quieted == {1}
    made.take_event(ring(HOWLING, 1), 0.2)
    assert made.view(0.2).focus.id == 1
    assert not made.view(0.2).quieted


def test_a_snapshot_with_the_same_state_keeps_the_acknowledgement():
    """Snapshots repeat the newest event ten times a second; that is no change of state."""
    made = model(ring(RINGING, 1))
    made.acknowledge()
    made.take_snapshot(examples.snapshot(8, (ring(RINGING, 1),)), 0.1)
    assert made.view(0.1).focus is None
    made.take_snapshot(examples.snapshot(8, (ring(SUSPECT, 1),)), 0.2)
    assert made.view(0.2).focus.id == 1


def test_a_cleared_alarm_is_held_for_the_late_look():
    """It stays HOLD_ALARM_S, as it was at its worst; a passing suspicion only HOLD_SUSPECT_S."""
    made = model(ring(RINGING), ring(HOWLING), ring(SUSPECT), ring(CLEARED), now_s=10.0)
    assert made.view(10.0 + m.HOLD_ALARM_S - 0.1).held[0].worst.state is HOWLING
    assert not made.view(10.0 + m.HOLD_ALARM_S).held
    made = model(ring(SUSPECT), ring(CLEARED), now_s=10.0)
    assert made.view(10.0 + m.HOLD_SUSPECT_S - 0.1).held
    assert not made.view(10.0 + m.HOLD_SUSPECT_S).held


def test_acknowledging_with_nothing_alive_puts_the_held_message_away():
    """The same key says 'seen' to a message about the past."""
    made = model(ring(RINGING), ring(CLEARED))
    made.acknowledge()
    assert not made.view(0.1).held


def test_a_snapshot_is_the_whole_truth_about_living_rings():
    """A ring that the snapshot no longer lists is gone, also without an event."""
    made = model(ring(RINGING))
    made.take_snapshot(examples.snapshot(8, ()), 0.1)
    assert made.view(0.1).rings == ()


def test_quitting_takes_two_presses_in_a_short_time():
    """One slip of a finger must not end the watch."""
    made = model()
    assert not made.ask_to_quit(0.0)
    assert made.view(1.0).asked_to_quit
    assert not made.view(m.CONFIRM_S + 0.1).asked_to_quit
    assert not made.ask_to_quit(m.CONFIRM_S + 0.1)
    assert made.ask_to_quit(m.CONFIRM_S + 1.0)


def test_the_log_is_bounded():
    """A long day must not eat memory."""
    made = model(*(ring(SUSPECT, n) for n in range(3 * LOG_LENGTH)))
    assert len(made.view(0.0).log) == LOG_LENGTH


def _heard(id_: int, channel: int, state: RingState, lead: int = 2, **more) -> RingEvent:
    """Return a ring that is part of alert 1, which belongs to `lead`."""
    alert = Alert(1, lead, f"Mic {lead}", lead, 9, f"Mic {lead}", "Mix 1", "left wedge")
    return replace(examples.event(state, channel, id_=id_), alert=alert, **more)


class TestOneHowlOnManyChannels:
    """Oracle: definition. The screen tells a howl once; the channels tell what they hear."""

    def test_it_is_one_message_one_line_and_one_note(self):
        """Three channels ring, one alert is shown, and one line in the log a state."""
        made = model(
            _heard(1, 2, SUSPECT),
            _heard(2, 3, SUSPECT),
            _heard(3, 4, SUSPECT),
            _heard(1, 2, RINGING),
        )
        view = made.view(0.0)
        assert [alert.id for alert in view.alerts] == [1]
        assert (view.focus.state, view.focus.channel) == (RINGING, 2)
        assert (len(view.rings), view.heard_on(view.focus)) == (3, 3)
        assert [line.state for line in view.log] == [RINGING, SUSPECT]
        made.acknowledge()
        assert made.view(1.0).focus is None

    def test_it_goes_on_until_the_last_has_cleared(self):
        """The one that led goes first; the message stays, under its name."""
        made = model(_heard(1, 2, RINGING), _heard(2, 3, RINGING), _heard(1, 2, CLEARED))
        assert (made.view(0.0).focus.channel, made.view(0.0).held) == (2, ())
        made.take_event(_heard(2, 3, CLEARED), 1.0)
        view = made.view(1.0)
        assert view.focus is None
        assert [held.worst.state for held in view.held] == [RINGING]

    def test_better_names_are_no_second_line(self):
        """A microphone speaks after its mix: the line is corrected where it stands."""
        made = model(_heard(1, 9, RINGING, lead=9), _heard(2, 2, RINGING, lead=2))
        (line,) = made.view(0.0).log
        assert line.channel_name == "Mic 2"

    def test_a_hold_on_the_mix_holds_the_howl_of_its_loop(self):
        """The channels that an alert names are its own; a bystander's hold is not its hold."""
        made = model(_heard(1, 2, RINGING), _heard(2, 3, RINGING))
        for held, focus in ((9, None), (3, 1)):
            rings = tuple(_heard(n, ch, RINGING) for n, ch in ((1, 2), (2, 3)))
            made.take_snapshot(replace(examples.snapshot(8, rings), held=frozenset({held})), 0.0)
            shown = made.view(0.0).focus
            assert (shown and shown.id) == focus


@pytest.mark.parametrize("rows", [0, 3, 12])
def test_a_snapshot_of_another_size_is_fitted_to_the_names(rows):
    """Rows without news are silent and calm; the screen must not break over it."""
    made = model()
    made.take_snapshot(examples.snapshot(rows), 0.0)
    shown = made.view(0.0).snapshot
    assert shown.level_dbfs.shape == (8,)
    assert shown.suspicion.shape == (8, 31)
    np.testing.assert_array_equal(shown.level_dbfs[rows:], -120.0)


def test_numbers_must_match_names():
    """A wrong list of channel numbers is refused at once, not drawn."""
    with pytest.raises(ValueError, match="2 channel names, but 1 channel numbers"):
        m.Model(["a", "b"], [5])
