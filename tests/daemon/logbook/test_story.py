"""From lines to rings, from rings to incidents, from incidents to what to change."""

from dataclasses import replace

import pytest
from logbook.books import ROWS, howl, written

from prehowl.daemon.events import Alert
from prehowl.daemon.logbook.advice import Pull, Watch, advise, counts_of
from prehowl.daemon.logbook.incidents import incidents_of
from prehowl.daemon.logbook.reader import LogbookReader
from prehowl.daemon.logbook.records import ChannelRow
from prehowl.daemon.logbook.story import AlertTold, RingStory, acts_of, rings_of

CHANNELS = {(run, row.number): row for run in (1, 2) for row in ROWS}


def story(id: int, channel: int, onset_s: float, **told) -> RingStory:
    """Return a howl at 2513 Hz of two seconds."""
    known = {
        "run": 1,
        "act": "",
        "channel_name": told.get("channel_name") or CHANNELS[1, channel].name,
        "band_hz": 2500.0,
        "frequency_hz": 2513.0,
        "worst": "howling",
        "first_s": onset_s,
        "alarm_s": onset_s + 0.5,
        "end_s": onset_s + 2.0,
        "at": 1e9 + onset_s + 0.5,
        "level_dbfs": -20.0,
        "growth_db_per_s": 40.0,
        "cut_db": 3.0,
    }
    return RingStory(id=id, channel=channel, onset_s=onset_s, **{**known, **told})


def test_a_ring_is_told_from_its_first_event_to_its_last(tmp_path):
    """Oracle: by hand. Suspect at 4.0, alarm at 4.5, howl at 5.0, calm at 5.5 s."""
    path = written(tmp_path / "a.logbook", howl(3, 1, 4.0))
    with LogbookReader(path) as reader:
        (ring,) = rings_of(reader.lines())
    assert (ring.onset_s, ring.alarm_s, ring.end_s, ring.worst) == (4.0, 4.5, 5.5, "howling")
    assert (ring.channel, ring.band_hz, ring.act, ring.cut_db) == (1, 2500.0, "First", 3.0)


def test_a_ring_at_its_faders_cap_is_told_as_such(tmp_path):
    """Oracle: docs/events.md; the worst event's word holds, as its band does."""
    events = [replace(one, sheet_cut_db=12.0) for one in howl(3, 1, 4.0)]
    events[2] = replace(events[2], sheet_at_cap=True)
    with LogbookReader(written(tmp_path / "a.logbook", [*events, *howl(4, 2, 9.0)])) as reader:
        assert [ring.at_cap for ring in rings_of(reader.lines())] == [True, False]


def test_a_ring_is_placed_on_the_clock_by_the_line_of_its_alarm(tmp_path):
    """Oracle: definition. The second line is the alarm's; a suspicion has but its first."""
    path = written(tmp_path / "a.logbook", [*howl(3, 1, 4.0), *howl(4, 1, 9.0)[:1]])
    with LogbookReader(path) as reader:
        lines = [replace(line, at=1e9 + n) for n, line in enumerate(reader.lines(kind="ring"))]
    assert [ring.at for ring in rings_of(lines)] == [1e9 + 1, 1e9 + 4]


def test_what_was_never_an_alarm_or_never_ended_says_so(tmp_path):
    """Oracle: definition. A torn record knows no end; a suspect no alarm."""
    path = written(tmp_path / "a.logbook", [*howl(1, 1, 4.0)[:1], *howl(2, 2, 5.0)[:2]])
    with LogbookReader(path) as reader:
        suspect, torn = rings_of(reader.lines())
    assert (suspect.alarm_s, suspect.is_alarm) == (None, False)
    assert (torn.alarm_s, torn.end_s, torn.worst) == (5.5, None, "ringing")


def test_acts_come_from_whatever_names_them(tmp_path):
    """Oracle: definition. Entries of acts, and an `act` in any record, such as a ring's own."""
    path = written(tmp_path / "a.logbook", howl(1, 1, 4.0), acts=[(0.0, "One"), (3.0, "Two")])
    with LogbookReader(path) as reader:
        lines, runs = list(reader.lines()), reader.runs()
    runs = tuple(replace(run, last_time_s=9.0) for run in runs)
    assert [(a.name, a.begin_s, a.end_s) for a in acts_of(lines, runs)] == [
        ("One", 0.0, 3.0),
        ("Two", 3.0, 9.0),
    ]
    rings = [
        replace(line, data={**line.data, "act": "Three"}) for line in lines if "id" in line.data
    ]
    assert [act.name for act in acts_of(rings, runs)] == ["Three"]
    assert {ring.act for ring in rings_of(rings)} == {"Three"}
    assert [act.name for act in acts_of([], runs)] == [""]


class TestIncidents:
    """One howl that many hear."""

    def test_a_howl_on_three_channels_is_one_incident(self):
        """Oracle: by hand. What was told while it rang names the channel and the sheet."""
        alert = AlertTold(2, 1, "Vox 1", "Mix 1")
        rings = [
            story(1, 2, 4.2, level_dbfs=-10.0, alert=alert, cut_db=6.0),
            story(2, 1, 4.0, level_dbfs=-12.0, alert=alert),
            story(3, 5, 4.1, level_dbfs=-6.0, worst="ringing", alert=alert),
        ]
        (one,) = incidents_of(rings, CHANNELS)
        assert (one.name, one.sheet, one.others) == ("Vox 1", "Mix 1", ("Mix 1", "Vox 2"))
        assert (one.worst, one.band_hz, one.cut_db, one.lead.id) == ("howling", 2500.0, 3.0, 2)
        assert one.clip == (1, 2)

    def test_alerts_of_two_runs_are_two(self):
        """Oracle: definition. Ids are counted anew in each run."""
        alert = AlertTold(1, 1, "Vox 1", None)
        rings = [story(1, 1, 4.0, alert=alert), story(1, 1, 4.0, alert=alert, run=2)]
        assert len(incidents_of(rings, CHANNELS)) == 2

    def test_names_that_were_corrected_hold_for_all_its_rings(self, tmp_path):
        """Oracle: definition. The mix spoke first; the lines tell of the microphone only later."""
        first, then = Alert(1, 5, "Mix 1"), Alert(1, 1, "Vox 1", 1, 5, "Vox 1", "Mix 1")
        events = [replace(one, alert=first) for one in howl(1, 5, 4.0)[:2]]
        events += [replace(one, alert=then) for one in howl(2, 1, 4.2)]
        with LogbookReader(written(tmp_path / "a.logbook", events)) as reader:
            rings = rings_of(reader.lines())
        assert [(ring.channel, ring.leads) for ring in rings] == [(5, False), (1, True)]
        (one,) = incidents_of(rings, CHANNELS)
        assert (one.name, one.sheet) == ("Vox 1", "Mix 1")

    def test_a_suspicion_is_no_incident(self):
        """Oracle: definition."""
        assert incidents_of([story(1, 1, 4.0, alarm_s=None, worst="suspect")], CHANNELS) == []

    def test_a_mic_alone_names_its_mix_and_a_stranger_its_wedge(self):
        """Oracle: what was told of the channels."""
        sheets = [one.sheet for one in incidents_of([story(1, 1, 1.0), story(2, 2, 9.0)], CHANNELS)]
        assert sheets == ["Mix 1", "the mix that feeds the wedge of Vox 2"]

    def test_another_run_may_have_another_patch(self):
        """Oracle: by hand. What plays on the channel tomorrow says nothing of yesterday's mix."""
        channels = {
            (1, 3): ChannelRow(3, "Vox", "mic"),
            (2, 3): ChannelRow(3, "Sax", "mic", "Mix 7"),
        }
        rings = [
            story(1, 3, 10.0, channel_name="Vox"),
            story(1, 3, 10.0, channel_name="Sax", run=2),
        ]
        sheets = [(one.name, one.sheet) for one in incidents_of(rings, channels)]
        assert sheets == [("Vox", "the mix that feeds the wedge of Vox"), ("Sax", "Mix 7")]


class TestAdvice:
    """What to change tomorrow."""

    def of(self, *rings: RingStory):
        """Return the advice on rings."""
        return advise(incidents_of(rings, CHANNELS))

    def test_once_is_watched_and_again_is_pulled(self):
        """Oracle: the rule itself; the larger of the advised cuts."""
        once, again = story(1, 1, 1.0), story(2, 1, 60.0, cut_db=4.0)
        assert self.of(once).watches == (Watch("Mix 1", "Vox 1", 2500.0),)
        assert self.of(once).pulls == ()
        advice = self.of(once, again)
        assert advice.pulls == (Pull("Mix 1", ("Vox 1",), 2500.0, 4.0, 2, None),)
        assert advice.watches == ()

    def test_between_two_faders_both_are_named(self):
        """Oracle: 2 kHz and 2.5 kHz are neighbours in ISO 266; 6.3 kHz is none of theirs."""
        rings = [
            story(n, 1, 60.0 * n, band_hz=band, frequency_hz=band)
            for n, band in enumerate([2000.0, 2000.0, 2500.0, 2500.0, 6300.0, 6300.0])
        ]
        beside = {pull.band_hz: pull.neighbour_hz for pull in self.of(*rings).pulls}
        assert beside == {2000.0: 2500.0, 2500.0: 2000.0, 6300.0: None}

    def test_band_after_band_is_no_matter_for_an_equaliser(self):
        """Oracle: the rule. Four bands at one microphone: look at it, pull nothing there."""
        rings = [
            story(n, 1, 60.0 * n, band_hz=band, frequency_hz=band, worst="ringing")
            for n, band in enumerate([500.0, 500.0, 1000.0, 2500.0, 6300.0])
        ]
        advice = self.of(*rings)
        assert advice.pulls == advice.watches == ()
        assert [(look.name, "4 different bands" in look.why) for look in advice.looks] == [
            ("Vox 1", True)
        ]

    @pytest.mark.parametrize(("count", "times"), [(1, "once"), (2, "2 times")])
    def test_a_fader_at_its_cap_is_not_pulled(self, count, times):
        """Oracle: the rule of docs/sheets.md, as the screen told it: send down. Nor kept an eye on.

        Its neighbour is pulled alone: the one at its cap cannot move as well.
        """
        rings = [
            story(n, 1, 60.0 * n, worst="ringing", at_cap=band == 2500.0, band_hz=band)
            for n, band in enumerate([2500.0] * count + [2000.0] * 2)
        ]
        advice = self.of(*rings)
        assert advice.pulls == (Pull("Mix 1", ("Vox 1",), 2000.0, 3.0, 2, None),)
        assert advice.watches == ()
        (look,) = advice.looks
        assert look.name == "Vox 1"
        assert look.why.startswith(
            f"2.5 kHz on Mix 1 rang {times}, and its fader is at its cap on the sheet: no more to"
        )

    def test_a_cap_is_that_of_the_sheet_as_it_stood_last_and_of_the_own_mix(self):
        """Oracle: by hand. The first night's sheet has been eased; Vox 2 has a sheet of its own."""
        alert = AlertTold(1, 1, "Vox 1", "Mix 1")
        rings = [
            story(1, 1, 1.0, at_cap=True),
            story(1, 1, 1.0, run=2, alert=alert),
            story(2, 2, 1.0, run=2, alert=alert, at_cap=True, level_dbfs=-6.0),
        ]
        assert [pull.band_hz for pull in self.of(*rings).pulls] == [2500.0]
        assert [look.why[:7] for look in self.of(*rings[:1]).looks] == ["howled ", "2.5 kHz"]

    @pytest.mark.parametrize(
        ("capped", "pulled", "stuck"), [("B", 3, "once"), ("A", None, "3 times")]
    )
    def test_each_act_has_a_sheet_of_its_own(self, capped, pulled, stuck):
        """Oracle: by hand. Three rings in act A, one in B; in one the fader is at its cap."""
        rings = [
            story(n, 1, 60.0 * n, worst="ringing", act=act, at_cap=act == capped)
            for n, act in enumerate("AAAB")
        ]
        advice = self.of(*rings)
        assert [pull.times for pull in advice.pulls] == ([] if pulled is None else [pulled])
        assert [look.why for look in advice.looks if f"rang {stuck}" in look.why] != []
        assert len(advice.watches) == (pulled is None)

    def test_a_howl_asks_for_a_new_ring_out(self):
        """Oracle: the rule."""
        looks = self.of(story(1, 1, 1.0), story(2, 1, 60.0)).looks
        assert [look.why for look in looks] == [
            "howled 2 times: ring it out again, and keep some dB in hand"
        ]


def test_counts_are_by_channel_and_band():
    """Oracle: counted by hand. Where the fader was at its cap no cut was advised."""
    rings = [
        story(1, 1, 1.0),
        story(2, 1, 9.0, worst="ringing", cut_db=None),
        story(3, 1, 20.0, worst="suspect", alarm_s=None),
        story(4, 2, 1.0, band_hz=800.0),
        story(5, 2, 30.0, alert=AlertTold(9, 1, "Vox 1", None)),
    ]
    rings += [story(6, 5, 1.0, at_cap=True), story(7, 5, 9.0, worst="ringing", cut_db=2.0)]
    found = [
        (c.channel, c.band_hz, c.alarms, c.howls, c.suspects, c.heard, c.cut_db, c.at_cap)
        for c in counts_of(rings)
    ]
    assert found == [
        (1, 2500.0, 2, 1, 1, 0, 3.0, False),
        (2, 800.0, 1, 1, 0, 0, 3.0, False),
        (2, 2500.0, 0, 0, 0, 1, None, False),
        (5, 2500.0, 2, 1, 0, 0, 2.0, True),
    ]
