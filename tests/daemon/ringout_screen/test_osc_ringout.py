"""OSC of a ring-out: what a tablet shows, and what its answers mean."""

from dataclasses import replace

import pytest
from osc_receiver import Receiver

from prehowl.daemon.desk.desk import Desk
from prehowl.daemon.desk.ringout_answers import BUSY, RingoutAnswers, answer
from prehowl.daemon.osc_in.verbs import Command, Verb
from prehowl.daemon.ringout import acts
from prehowl.daemon.ringout.state import Phase
from prehowl.daemon.sinks.osc import OscSink
from prehowl.daemon.sinks.osc_ringout import PREFIX, RINGOUT, RingoutLabels, ringout_values
from prehowl.daemon.sinks.ringout import examples


def shown(state):
    """Return the values of a state by the last part of the address."""
    return {a.removeprefix(PREFIX): value for a, (_, value) in ringout_values(state).items()}


def ask(verb, **more):
    """Return a command as OSC brings it."""
    return Command(verb, "osc 127.0.0.1", **more)


class TestValues:
    def test_a_pull_is_a_label_and_figures(self):
        """The fader stands at -3 and is to go 2 dB further, to -5: the label must not say '-2'."""
        said = shown(examples.state("pull"))
        assert said["label"] == "2.5 kHz to -5 dB"
        assert said["text"] == "Pull 2.5 kHz 2 dB further, to -5 dB."
        assert said["cuts"] == "315 Hz -2.5, 2.5 kHz -3"
        figures = {k: said[k] for k in ("step", "frequency", "band", "cut", "by", "sounding")}
        assert figures == {
            "step": 3, "frequency": 2549.0, "band": 2500.0, "cut": 5.0, "by": 2.0, "sounding": 1,
        }  # fmt: skip
        assert said["state"] == 2

    def test_two_faders_both_leave(self):
        """A ring between two faders: both bands with both amounts."""
        said = shown(examples.state("between"))
        assert said["label"] == "10 kHz -2 dB + 12.5 kHz -1.5 dB"
        assert (said["band"], said["cut"]) == (10000.0, 2.0)
        assert (said["band2"], said["cut2"], said["by2"]) == (12500.0, 1.5, 1.5)

    @pytest.mark.parametrize(
        ("moment", "number"),
        [("listening", 1), ("pull", 2), ("checking", 3), ("advised", 4), ("finished", 5)],
    )
    def test_states_are_numbers(self, moment, number):
        """Simple controllers switch a lamp by a number; a label of nothing is '-'."""
        said = shown(examples.state(moment))
        assert said["state"] == number
        assert (said["label"] == "-") is (moment not in ("pull", "checking"))

    def test_every_state_has_the_same_addresses_and_types(self):
        """Oracle: the documented table; a missing address would leave an old value on a tablet."""
        wanted = {PREFIX + name: tag for name, tag, _ in RINGOUT}
        for state in (None, *map(examples.state, examples.MOMENTS)):
            values = ringout_values(state)
            assert {address: tag for address, (tag, _) in values.items()} == wanted
        assert list(wanted)[-1] == "/prehowl/ringout/state"


class TestOnTheWire:
    def test_instructions_leave_on_change_and_end_with_none(self):
        """Oracle: an independent OSC decoder; after the end the tablet shows no ring-out."""
        receiver = Receiver()
        sink = OscSink([receiver.target(messages=("ringout",), repeat_s=0)], version="0")
        sink.start()
        try:
            labels = RingoutLabels(sink)
            labels.on_state(examples.start(), None)
            labels.on_state(examples.state("pull"), None)
            receiver.until(lambda: (PREFIX + "state", ",i", [2]) in receiver.got)
            labels.close()
        finally:
            sink.close()
        receiver.until(lambda: (PREFIX + "state", ",i", [0]) in receiver.got)
        receiver.socket.close()
        told = {(a.removeprefix(PREFIX), *values) for a, _, values in receiver.got}
        assert ("label", "2.5 kHz to -5 dB") in told
        assert {a.startswith(PREFIX) for a, _, _ in receiver.got} == {True}

    def test_a_sink_that_ends_first_takes_the_instruction_back(self):
        """A tablet must not go on saying 'pull' after the goodbye."""
        receiver = Receiver()
        sink = OscSink([receiver.target()], version="0")
        sink.start()
        labels = RingoutLabels(sink)
        labels.on_state(examples.state("pull"), None)
        sink.close()
        labels.close()
        receiver.until_bye()
        receiver.socket.close()
        assert receiver.values(PREFIX + "label")[-1] == "-"
        assert receiver.values(PREFIX + "state")[-1] == 0

    def test_a_watch_without_a_ring_out_sends_none_of_it(self):
        """A target that takes everything hears nothing of a ring-out that is not there."""
        receiver = Receiver()
        sink = OscSink([receiver.target()], version="0", channels=(1,))
        sink.start()
        sink.close()
        receiver.until(lambda: any(a == "/prehowl/bye" for a, _, _ in receiver.got))
        receiver.socket.close()
        assert not [a for a, _, _ in receiver.got if a.startswith(PREFIX)]


class TestAnswers:
    def test_confirm_is_made_or_go_on_or_refused(self):
        """One button is the yes of every phase that asks something."""
        yes = ask(Verb.RINGOUT_CONFIRM)
        assert answer(yes, examples.state("pull"))[0] == acts.Made(0.0)
        assert answer(yes, examples.state("advised"))[0] == acts.GoOn(0.0)
        for moment in ("listening", "checking"):
            assert answer(yes, examples.state(moment)) == (None, "nothing is to be pulled now")

    def test_correct_names_the_nearest_fader(self):
        """2600 Hz lies in the band of 2.5 kHz, which reaches to 2818 Hz (IEC 61260-1)."""
        act, text = answer(
            ask(Verb.RINGOUT_CORRECT, band_hz=2600.0, cut_db=4.0), examples.state("pull")
        )
        assert act == acts.Corrected(0.0, ((2500, 4.0),))
        assert text == "counted as pulled: 2.5 kHz -4 dB"

    def test_correct_of_one_of_two_leaves_the_other_as_told(self):
        """The person answers for the fader that differs; another band is an answer for both."""
        between = examples.state("between")
        one = ask(Verb.RINGOUT_CORRECT, band_hz=10000.0, cut_db=3.0)
        assert answer(one, between)[0] == acts.Corrected(0.0, ((10000, 3.0), (12500, 1.5)))
        other = ask(Verb.RINGOUT_CORRECT, band_hz=8000.0, cut_db=3.0)
        assert answer(other, between)[0] == acts.Corrected(0.0, ((8000, 3.0),))

    def test_skip_leaves_the_ring_alone(self):
        """Only an instruction can be refused."""
        skip = ask(Verb.RINGOUT_SKIP)
        assert answer(skip, examples.state("pull"))[0] == acts.Skip(0.0)
        assert answer(skip, examples.state("listening"))[0] is None

    def test_gain_is_noted(self):
        """Up and down, to a hundredth; no change is no act."""
        act, text = answer(ask(Verb.RINGOUT_GAIN, by_db=-1.5), examples.state("listening"))
        assert act == acts.Raised(0.0, -1.5)
        assert text == "gain -1.5 dB noted"
        assert answer(ask(Verb.RINGOUT_GAIN, by_db=0.0), examples.state("pull"))[0] is None

    def test_undo_needs_something_to_take_back(self):
        """Before the first cut there is nothing to undo, and it says so."""
        undo = ask(Verb.RINGOUT_UNDO)
        assert answer(undo, examples.state("listening"))[0] == acts.Undo(0.0)
        assert answer(undo, examples.start()) == (None, "there is no cut to take back")

    @pytest.mark.parametrize("verb", [v for v in Verb if v.startswith("ringout")])
    def test_nothing_moves_a_finished_ring_out(self, verb):
        """After the end every answer is refused in words."""
        command = ask(verb, band_hz=1000.0, cut_db=1.0, by_db=1.0)
        assert answer(command, examples.state("finished")) == (None, "the ring-out is finished")

    def test_the_desk_notes_what_came_of_it(self):
        """A command over OSC becomes an act and a note; a full queue and no ring-out say so."""
        taken = []
        state = examples.state("pull")
        answers = RingoutAnswers(lambda: state, lambda act: not taken.append(act))
        yes = ask(Verb.RINGOUT_CONFIRM)
        desk = Desk(["Vox 1"], [1], ringout=answers.obey)
        desk.put(yes)
        (note,) = desk.obey(3.0, lambda: None)
        assert taken == [acts.Made(0.0)]
        assert (note.done, note.effect) == (True, "2.5 kHz to -5 dB counted as pulled")
        assert RingoutAnswers(lambda: state, lambda _: False).obey(yes) == (False, BUSY)
        bare = Desk(["Vox 1"], [1])
        bare.put(yes)
        (refused,) = bare.obey(3.0, lambda: None)
        assert not refused.done
        assert "no ring-out is running" in refused.effect

    def test_a_ring_that_is_skipped_has_no_number_of_its_own(self):
        """`step` counts the rings that were met; the one in hand is the next."""
        state = examples.state("pull")
        assert shown(replace(state, phase=Phase.LISTENING))["step"] == len(state.found)
