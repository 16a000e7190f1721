"""A ring-out that hears nothing: no 'more gain', no answer to what nobody is shown."""

import io
from dataclasses import replace

import pytest
from conformance import SinkConformance

from prehowl.daemon.desk.ringout_answers import UNHEARD, RingoutAnswers, answer
from prehowl.daemon.facts import facts_of
from prehowl.daemon.osc_in.verbs import Command, Verb
from prehowl.daemon.ringout import acts
from prehowl.daemon.ringout.acts import Interrupted
from prehowl.daemon.ringout.hearing import SILENT_DBFS, Deaf, Hearing, deaf_to
from prehowl.daemon.ringout.lines import Lines
from prehowl.daemon.ringout.session import step
from prehowl.daemon.ringout.state import Phase, Reason
from prehowl.daemon.sinks.base import Health
from prehowl.daemon.sinks.dashboard.keys import actions_of
from prehowl.daemon.sinks.dashboard.render import health_parts
from prehowl.daemon.sinks.dashboard.themes import DARK
from prehowl.daemon.sinks.osc_ringout import PREFIX, RingoutLabels, ringout_values
from prehowl.daemon.sinks.ringout import examples
from prehowl.daemon.sinks.ringout.keys import KEYS, hints
from prehowl.daemon.sinks.ringout.model import SETTLE_S, STALE_S, Model
from prehowl.daemon.sinks.ringout.page import page_of
from prehowl.daemon.sinks.ringout.render import render
from prehowl.daemon.sinks.ringout.wording import DEAF, task_words
from prehowl.daemon.sinks.words import time_words
from prehowl.daemon.sources.base import SourceHealth

NOW_S = 100.0
ZEROS_DBFS = -140.0
"""What the engine tells of exact zeros (`detectors.spectrum.FLOOR_DBFS`)."""
SILENCE = "exact digital silence on every channel for 7 s: is 'system' still connected?"
RUNNING = Health()
WAITING = Health(SourceHealth("waiting", facts=facts_of(["'stagebox' lost"])))
RUNNING_PHASES = [phase for phase in Phase if phase is not Phase.FINISHED]


def seen(model, now_s=NOW_S):
    """Return the page of a model."""
    return page_of(model.view(now_s), now_s)


def drawn(model, width=80, height=24, now_s=NOW_S):
    """Return a model as text."""
    return render(model.view(now_s), width, height, DARK, now_s).text()


def at(moment, *, level_dbfs=-41.0, health=RUNNING):
    """Return a moment with an input of that kind."""
    model = examples.moment(moment, now_s=NOW_S)
    model.take_snapshot(examples.snapshot(level_dbfs, health), NOW_S)
    return model


def values(state, deaf=None):
    """Return what is sent, by the last part of the address."""
    sent = ringout_values(state, deaf)
    return {address.removeprefix(PREFIX): value for address, (_, value) in sent.items()}


class TestHearing(SinkConformance):
    """The promises of every sink."""

    def make(self, tmp_path):
        """Return a fresh one."""
        return Hearing(0, lambda deaf: None)


def test_changes_are_told_once():
    """From a device that runs to one that is away, to silence, and back."""
    told = []
    hearing = Hearing(0, told.append)
    for health, level_dbfs in (
        (RUNNING, -41.0), (WAITING, -41.0), (WAITING, ZEROS_DBFS), (RUNNING, ZEROS_DBFS),
        (RUNNING, SILENT_DBFS), (RUNNING, -90.0),
    ):  # fmt: skip
        hearing.on_snapshot(examples.snapshot(level_dbfs, health))
        assert hearing.deaf is deaf_to(health, level_dbfs)
    assert told == [Deaf.NO_INPUT, Deaf.SILENT, None]


def test_lines_tell_silence_in_place_of_more_gain():
    """Without a screen, too; with the time of now, and no word where an instruction outlasts it."""
    out = io.StringIO()
    lines = Lines(out)
    lines.on_hearing(None, 0.0)
    lines.on_state(examples.start(), None)
    lines.on_hearing(Deaf.SILENT, 65.0)
    lines.on_hearing(None, 70.0)
    pull = replace(examples.state("pull"), time_s=80.0)
    lines.on_state(pull, None)
    lines.on_hearing(Deaf.SILENT, 90.0)
    lines.on_hearing(Deaf.NO_INPUT, 95.0)
    said = [line.split(maxsplit=1)[1] for line in out.getvalue().splitlines()]
    raise_it = task_words(examples.start())
    assert said == [
        raise_it, DEAF[Deaf.SILENT], raise_it, task_words(pull), DEAF[Deaf.NO_INPUT],
    ]  # fmt: skip
    times = [line.split()[0] for line in out.getvalue().splitlines()]
    assert times[1:3] == [time_words(65.0), time_words(70.0)]


class TestScreen:
    def test_silence_never_asks_for_more_gain(self):
        """Right for a wrong channel and for a mic that is still muted: no word of raising."""
        for moment in ("no-sound", "listening"):
            model = at(moment, level_dbfs=ZEROS_DBFS)
            page = seen(model)
            assert page.head == "NO SOUND"
            text = drawn(model)
            assert "Send low, then open the mic; or check channel and patch." in text
            for word in ("aise", "more gain", "MORE"):
                assert word not in text
            assert "Send low, then open the mic" in drawn(model, 60, 15)

    def test_it_names_the_channel(self):
        """A wrong one is then seen at once."""
        model = examples.moment("no-sound", now_s=NOW_S)
        named = replace(examples.snapshot(ZEROS_DBFS), names=("Ch 9",))
        model.take_snapshot(named, NOW_S)
        assert "Nothing arrives on Ch 9:" in drawn(model)

    @pytest.mark.parametrize("phase", [p for p in RUNNING_PHASES if p is not Phase.LISTENING])
    def test_an_instruction_outlasts_silence(self, phase):
        """Who mutes the mix on a digital desk at a ring still reads what to do, and may answer."""
        model = at("pull", level_dbfs=ZEROS_DBFS)
        before = seen(at("pull"))
        assert seen(model).faders == before.faders
        assert model.press("confirm", NOW_S) == (acts.Made(0.0), False)
        model.take_state(replace(examples.state("pull"), phase=phase, reason=Reason.ENOUGH), NOW_S)
        assert seen(model).head != "NO SOUND"

    @pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40)])
    def test_what_the_input_says_stands_first(self, width, height):
        """The line has no room for all of it; the last parts are left out."""
        model = at(
            "no-sound", level_dbfs=ZEROS_DBFS,
            health=Health(SourceHealth(facts=facts_of([SILENCE]))),
        )  # fmt: skip
        status = next(line for line in drawn(model, width, height).split("\n") if "exact" in line)
        assert status.startswith(f" {SILENCE[:60]}")
        good, _ = health_parts(Health(SourceHealth(facts=facts_of([SILENCE]))), has_fresh_loss=True)
        assert good[0] == SILENCE  # on the dashboard, too

    def test_an_input_that_is_away_has_no_level(self):
        """The last one that was heard is not of now."""
        assert "-8 dBFS" not in drawn(at("pull", level_dbfs=-8.0, health=WAITING))
        assert "-8 dBFS" in drawn(at("pull", level_dbfs=-8.0))


class TestHidden:
    KEYS_THAT_ANSWER = "\r -+\t\x1b[A\x1b[B\x1b[C\x1b[Dxu"

    @pytest.mark.parametrize("moment", ["pull", "between", "advised", "listening"])
    @pytest.mark.parametrize("now_s", [NOW_S, NOW_S + STALE_S + 0.1])
    def test_no_key_answers_what_is_hidden(self, moment, now_s):
        """Oracle: what is pressed blind changes nothing; not the draft that comes up again either.

        The input away, and no news of it.
        """
        model = at(moment, health=WAITING if now_s == NOW_S else RUNNING)
        assert seen(model, now_s).words == ("SEND DOWN",)
        draft = model.view(now_s).draft
        for action in actions_of(self.KEYS_THAT_ANSWER, KEYS):
            assert model.press(action, now_s) == (None, False)
        assert model.view(now_s).draft == draft
        shown = " ".join(hints(model.view(now_s)))
        for word in ("RETURN", "UP/DOWN", "LEFT/RIGHT", "X not", "U undo"):
            assert word not in shown

    def test_what_is_no_answer_can_be_said(self):
        """The gain that went down, the end, leaving; each hinted."""
        model = at("pull", health=WAITING)
        assert model.press("gain_down", NOW_S) == (acts.Raised(0.0, -1.0), False)
        assert [model.press("finish", NOW_S)[0] for _ in range(2)] == [None, acts.Finish(0.0)]
        assert [model.press("quit", NOW_S)[1] for _ in range(2)] == [False, True]
        shown = hints(at("pull", health=WAITING).view(NOW_S))
        assert shown[:3] == ["FF finish", "QQ quit", "G/L gain +1/-1"]

    def test_what_comes_up_again_takes_no_answer_before_it_is_read(self):
        """A hand that presses into the fault must not confirm what comes up in that moment."""
        model = at("pull", health=WAITING)
        model.take_snapshot(examples.snapshot(-41.0), NOW_S + 1)
        assert seen(model, NOW_S + 1).head == "PULL TO"
        assert model.press("confirm", NOW_S + 1 + SETTLE_S / 2) == (None, False)
        assert model.press("confirm", NOW_S + 1 + SETTLE_S) == (acts.Made(0.0), False)


class TestAnswerOnASmallScreen:
    def test_both_answers_and_the_question_are_there(self):
        """At 60x15 there is one line of words and one of keys."""
        state = examples.state("pull")
        model = examples.moment("pull", now_s=NOW_S)
        model.take_state(step(state, Interrupted(state.time_s)), NOW_S)
        text = drawn(model, 60, 15)
        for words in ("Nobody heard it stop.", "X if not", "RETURN pulled", "X not pulled"):
            assert words in text

    def test_x_comes_first_only_where_nothing_sounds(self):
        """While it rings the arrows are the likelier answer."""
        state = examples.state("pull")
        model = examples.moment("pull", now_s=NOW_S)
        assert hints(model.view(NOW_S))[1:4] == ["UP/DOWN dB", "LEFT/RIGHT band", "X not pulled"]
        model.take_state(replace(state, ring=replace(state.ring, is_sounding=False)), NOW_S)
        assert hints(model.view(NOW_S))[1] == "X not pulled"


def test_the_clock_of_a_resumed_ring_out_goes_on():
    """The page calls it the time of the ring-out; a stream begins at 0 each time."""
    model = Model("", 0)
    model.take_state(replace(examples.start(), time_s=125.0), NOW_S)
    assert drawn(model).split("\n")[0].endswith(" 2:05 ")
    model.take_snapshot(replace(examples.snapshot(), time_s=6.0), NOW_S)
    model.take_state(replace(examples.state("pull"), time_s=131.0), NOW_S)
    assert drawn(model).split("\n")[0].endswith(" 2:11 ")


def test_a_sheet_that_is_not_kept_leaves_the_summary_on_the_screen():
    """How far to pull back, the cuts, the reason and the command are all there at 80x24."""
    model = examples.moment("finished", now_s=NOW_S)
    model.note_trouble("NOT KEPT: sheets folder /mnt/stick: cannot be written to")
    model.note_trouble("Then: prehowl ringout --resume j.jsonl")
    page = seen(model)
    assert (page.head, page.right, page.faders) == ("SEND BACK", "NO SHEET", (("-6 dB",),))
    for words in ("NOT KEPT: sheets folder", "--resume j.jsonl", "Pull the send back", "800 Hz -2"):
        assert words in drawn(model)
    assert "NOT KEPT" in drawn(model, 60, 15)


class TestOsc:
    @pytest.mark.parametrize("phase", RUNNING_PHASES)
    def test_an_input_that_is_away_takes_every_instruction_back(self, phase):
        """A phone must not go on saying 'raise' or 'pull'; what is pulled stays true."""
        state = replace(examples.state("pull"), phase=phase, reason=Reason.ENOUGH)
        said = values(state, Deaf.NO_INPUT)
        assert (said["state"], said["label"]) == (4, "-")
        assert said["text"].startswith("Send down")
        assert said["cuts"] == "315 Hz -2.5, 2.5 kHz -3"
        assert not any(said[name] for name in ("frequency", "band", "cut", "by", "sounding"))

    def test_silence_takes_more_gain_back_and_nothing_else(self):
        """As on the screen."""
        said = values(examples.start(), Deaf.SILENT)
        assert (said["state"], said["label"]) == (4, "-")
        assert "open the mic" in said["text"]
        for moment in ("pull", "between", "checking", "advised", "finished"):
            state = examples.state(moment)
            assert values(state, Deaf.SILENT) == values(state)

    def test_a_finished_ring_out_needs_no_input(self):
        """Whatever became of it, the send goes back."""
        state = examples.state("finished")
        assert values(state, Deaf.NO_INPUT) == values(state)

    def test_labels_follow_state_and_hearing(self):
        """Each change of either is shown; after the end there is no ring-out, heard or not."""

        class Board:
            def __init__(self):
                self.states = []

            def show_ringout(self, values):
                self.states.append(values[PREFIX + "state"][1])

        board = Board()
        labels = RingoutLabels(board)
        labels.on_hearing(None)
        labels.on_state(examples.start(), None)
        labels.on_hearing(Deaf.NO_INPUT)
        labels.on_state(examples.state("pull"), None)
        labels.on_hearing(None)
        labels.on_hearing(Deaf.NO_INPUT)
        labels.close()
        assert board.states == [0, 1, 4, 4, 2, 4, 0]

    @pytest.mark.parametrize("verb", [v for v in Verb if v.startswith("ringout")])
    def test_no_button_answers_what_is_hidden(self, verb):
        """What is no answer is taken; after the input is back, all is."""
        command = Command(verb, "osc 127.0.0.1", band_hz=1000.0, cut_db=1.0, by_db=-1.0)
        state, taken = examples.state("pull"), []
        is_answer = verb not in (Verb.RINGOUT_GAIN, Verb.RINGOUT_FINISH)
        away = RingoutAnswers(
            lambda: state, lambda act: not taken.append(act), lambda: Deaf.NO_INPUT
        )
        done, said = away.obey(command)
        assert (done, len(taken)) == (not is_answer, 0 if is_answer else 1)
        assert (said == UNHEARD) is is_answer
        for deaf in (None, Deaf.SILENT):
            assert answer(command, state, deaf)[0] is not None
