"""The automatic hand acts as a person at the screen would, and verifying sorts what it hears."""

import numpy as np
import pytest

from prehowl.daemon.events import RingEvent
from prehowl.daemon.ringout import acts
from prehowl.daemon.ringout.hand import DOWN_DB, LISTEN_S, PATIENCE, RAISE_DB, AutoHand
from prehowl.daemon.ringout.session import fold
from prehowl.daemon.ringout.state import Phase, Plan, State
from prehowl.daemon.ringout.verify import Findings, shift_share, verify_lines, verify_record
from prehowl.daemon.sheets.sheet import Sheet
from prehowl.daemon.sinks.base import Health, Snapshot
from prehowl.detectors.rings import RingState


def snapshot(time_s: float, level_dbfs: float = -50.0) -> Snapshot:
    level = np.array([level_dbfs], np.float32)
    return Snapshot(time_s, level, level, np.zeros((1, 31), np.float32), (), Health())


def act_of(hand: AutoHand, done: list[acts.PersonAct], state: State, *, from_s: float) -> object:
    """Show a state and let time go by until the hand does something."""
    hand.on_snapshot(snapshot(from_s))
    done.clear()
    hand.on_state(state, None)
    for tenth in range(1, 40):
        hand.on_snapshot(snapshot(from_s + tenth / 10))
        if done:
            return done[0]
    return None


def heard(ring_id: int, hertz: float) -> acts.RingHeard:
    return acts.RingHeard(1.0, ring_id, hertz, -20.0, 30.0, -0.2)


def test_it_pulls_what_it_is_told_and_raises_where_nothing_rings() -> None:
    """Oracle: the screen's own words: PULL, pull; LISTENING, a little more gain; ADVISED, stop."""
    done: list[acts.PersonAct] = []
    hand = AutoHand(done.append)
    listening = fold(Plan(), ())
    assert act_of(hand, done, listening, from_s=0.0) == acts.Raised(0.0, RAISE_DB)
    pull = fold(Plan(), (heard(1, 2500.0),))
    assert act_of(hand, done, pull, from_s=10.0) == acts.Made(0.0)


def test_with_many_rings_at_once_it_turns_down_first_and_goes_on_when_they_are_gone() -> None:
    """Oracle: common practice, no source: level first; and after some times it is left at that."""
    done: list[acts.PersonAct] = []
    hand = AutoHand(done.append)
    rings = [heard(n, hertz) for n, hertz in enumerate((510.0, 830.0, 1900.0, 3500.0), 1)]
    many = fold(Plan(), rings)
    assert many.phase is Phase.ADVISED
    assert act_of(hand, done, many, from_s=0.0) == acts.Raised(0.0, DOWN_DB)
    gone = fold(Plan(), (*rings, *(acts.RingGone(2.0, n) for n in range(1, 5))))
    assert act_of(hand, done, gone, from_s=10.0) == acts.GoOn(0.0)
    for again in range(1, PATIENCE):
        assert act_of(hand, done, many, from_s=20.0 * again) == acts.Raised(0.0, DOWN_DB)
    assert act_of(hand, done, many, from_s=200.0) == acts.Finish(0.0)


def test_a_howl_that_the_screen_does_not_tell_is_heard_all_the_same() -> None:
    """Oracle: anybody with ears turns down what stays at -5 dBFS."""
    done: list[acts.PersonAct] = []
    hand = AutoHand(done.append)
    hand.on_state(fold(Plan(), ()), None)
    for tenth in range(round(10 * LISTEN_S)):
        hand.on_snapshot(snapshot(tenth / 10, -5.0))
    assert done == [acts.Raised(0.0, DOWN_DB)]


def event(hertz: float, state: RingState) -> RingEvent:
    return RingEvent(1, 1, "Mix", state, 1.0, 1.0, hertz, 1000, -20.0)


def heard_through(findings: Findings, to_share: float, level_dbfs: float = -40.0) -> Findings:
    """Let a pass go by, of which somebody is heard."""
    for hundredth in range(round(100 * to_share) + 1):
        findings.listen(hundredth / 100, level_dbfs)
    return findings


def test_verifying_sorts_known_new_and_near() -> None:
    """Oracle: hand-worked: 1 kHz is known and rings, 2.5 kHz known and only suspect, 400 Hz new."""
    findings = heard_through(Findings((14, 17, 21)), 1.0)
    findings.take(event(1010.0, RingState.SUSPECT))
    findings.take(event(1010.0, RingState.RINGING))
    findings.take(event(1010.0, RingState.CLEARED))
    findings.take(event(2480.0, RingState.SUSPECT))
    findings.take(event(402.0, RingState.HOWLING))
    sheet = Sheet("Wedge", "Vocal", "Mix 1", temperature_c=20.0)
    sheet = sheet.with_faders({14: -2.0, 17: -3.0, 21: -4.0})
    record = verify_record(sheet, findings, 30.0)
    assert [band["found"] for band in record["bands"]] == ["holds", "rings", "near"]
    assert record["new_hz"] == [402.0]
    assert not record["holds"]
    text = "\n".join(verify_lines(record))
    assert "1 kHz -3 dB  RINGS AGAIN at 1010 Hz" in text
    assert "402 Hz  NEW" in text
    assert "+1.69 %" in text


SHEET = Sheet("Wedge", "Vocal", "Mix 1").with_faders({14: -2.0, 17: -3.0, 21: -4.0})


@pytest.mark.parametrize(
    ("to_share", "level_dbfs", "found"),
    [
        (1.0, -40.0, ["holds", "holds", "holds"]),
        (1.0, -79.0, ["holds", "holds", "holds"]),
        (1.0, -81.0, ["not_heard", "not_heard", "not_heard"]),
        (0.0, -40.0, ["not_heard", "not_heard", "not_heard"]),
        (0.4, -40.0, ["holds", "not_heard", "not_heard"]),  # a fifth of the second turn
        (0.6, -40.0, ["holds", "holds", "not_heard"]),
        (0.95, -40.0, ["holds", "holds", "holds"]),
    ],
)
def test_a_band_that_was_not_tried_does_not_hold(
    to_share: float, level_dbfs: float, found: list[str]
) -> None:
    """Oracle: definition: silence, a wrong channel, a pass cut short prove nothing."""
    findings = heard_through(Findings((14, 17, 21)), to_share, level_dbfs)
    record = verify_record(SHEET, findings, None)
    assert [band["found"] for band in record["bands"]] == found
    assert record["holds"] is ("not_heard" not in found)
    said = verify_lines(record)
    assert ("all holds" in said) is record["holds"]
    assert sum("NOT HEARD" in line for line in said) == found.count("not_heard")
    assert any("right channel" in line for line in said) is not record["holds"]


def test_silence_in_one_turn_is_not_made_good_by_the_others() -> None:
    """Oracle: definition: each band needs sound in its own turn."""
    findings = Findings((14, 17, 21))
    for hundredth in range(101):
        findings.listen(hundredth / 100, -90.0 if 34 <= hundredth <= 66 else -40.0)
    assert [findings.found(fader) for fader in findings.known] == ["holds", "not_heard", "holds"]
    findings.take(event(1010.0, RingState.RINGING))
    assert verify_lines(verify_record(SHEET, findings, None))[-1].startswith("not all holds")


def test_a_warmer_stage_moves_rings_up() -> None:
    """Oracle: closed form: sqrt(303.15 / 293.15) - 1 = 1.69 % from 20 to 30 degrees C."""
    assert shift_share(20.0, 30.0) == pytest.approx(np.sqrt(303.15 / 293.15) - 1)
    assert shift_share(None, 30.0) is None
