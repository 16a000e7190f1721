"""What is printed: a table for people, JSON lines and CSV for scripts."""

import csv
import io
import json
from dataclasses import replace

import fakes
import pytest
from conformance import SinkConformance
from hypothesis import given
from hypothesis import strategies as st

from prehowl.daemon.events import Alert
from prehowl.daemon.sinks.csv import COLUMNS, CsvSink
from prehowl.daemon.sinks.jsonl import JsonlSink
from prehowl.daemon.sinks.table import HEADER, NAME_CELLS, TableSink, table_line
from prehowl.daemon.sinks.words import (
    advice_words,
    band_words,
    counted,
    frequency_words,
    printable,
    time_words,
)
from prehowl.detectors.rings import RingState


class TestTableConformance(SinkConformance):
    """The table keeps the promises of a sink."""

    def make(self, tmp_path):
        return TableSink(io.StringIO(), heading="a.wav")


class TestJsonlConformance(SinkConformance):
    """JSON lines keep the promises of a sink."""

    def make(self, tmp_path):
        return JsonlSink(io.StringIO())


class TestCsvConformance(SinkConformance):
    """CSV keeps the promises of a sink."""

    def make(self, tmp_path):
        return CsvSink(io.StringIO())


def printed(sink_class, *events, **options):
    """Return what a sink prints for the events."""
    stream = io.StringIO()
    sink = sink_class(stream, **options)
    sink.start()
    for event in events:
        sink.on_event(event)
    sink.close()
    assert not stream.closed
    return stream.getvalue()


def test_a_line_of_the_table_says_when_what_where_and_what_to_do():
    """Golden, by hand: one alarm as a person reads it, under its columns."""
    lines = printed(TableSink, fakes.event()).splitlines()
    assert lines == [
        "     time  state    channel        ring at  dBFS  dB/s  what to do",
        "   0:12.3  RINGING  Vox 1          2513 Hz   -18   +42  pull 2.5 kHz by 3 dB",
    ]


def test_a_state_of_a_howl_is_one_line_and_times_never_go_back():
    """Oracle: definition, by hand. Names that get better print nothing; another channel does, dated
    by what told it, not by when the first ring reached the state."""

    def told(id_, channel, state, time_s, lead, mix=None):
        alert = Alert(1, lead, f"Vox {lead}", lead, None, f"Vox {lead}", mix)
        event = fakes.event(state, id=id_, channel=channel, time_s=time_s)
        return replace(event, alert=alert)

    lines = printed(
        TableSink,
        told(1, 2, RingState.SUSPECT, 1.0, lead=2),
        told(1, 2, RingState.RINGING, 2.0, lead=2),
        told(2, 9, RingState.RINGING, 3.0, lead=2, mix="Mix 1"),
        told(3, 1, RingState.RINGING, 4.0, lead=1, mix="Mix 1"),
        told(3, 1, RingState.HOWLING, 5.0, lead=1, mix="Mix 1"),
        told(3, 1, RingState.CLEARED, 6.0, lead=1, mix="Mix 1"),
        told(2, 9, RingState.CLEARED, 6.0, lead=1, mix="Mix 1"),
        told(1, 2, RingState.CLEARED, 7.0, lead=1, mix="Mix 1"),
    ).splitlines()[1:]
    assert [line.split()[:4] for line in lines] == [
        ["0:01.0", "suspect", "Vox", "2"],
        ["0:02.0", "RINGING", "Vox", "2"],
        ["0:04.0", "RINGING", "Vox", "1"],
        ["0:05.0", "HOWLING", "Vox", "1"],
        ["0:06.0", "RINGING", "Vox", "1"],
        ["0:07.0", "cleared", "Vox", "1"],
    ]


@pytest.mark.parametrize(
    ("state", "word"),
    [
        (RingState.SUSPECT, "suspect"),
        (RingState.RINGING, "RINGING"),
        (RingState.HOWLING, "HOWLING"),
        (RingState.CLEARED, "cleared"),
    ],
)
def test_alarms_stand_out_without_colour(state, word):
    """Alarms are in capitals, the other states are not."""
    assert f"  {word}  " in table_line(fakes.event(state))


names = st.text(max_size=60)
events = st.builds(
    fakes.event,
    st.sampled_from(RingState),
    channel_name=names,
    time_s=st.floats(0, 35999),
    frequency_hz=st.floats(20, 20000),
    band_hz=st.sampled_from([20.0, 31.5, 100.0, 1250.0, 12500.0, 20000.0]),
    growth_db_per_s=st.none() | st.floats(-2000, 2000),
    cut_db=st.none() | st.sampled_from([0.5, 3.0, 10.5]),
)


@given(events)
def test_every_line_fits_80_columns_and_stays_one_line(event):
    """No name, however long or odd, breaks or widens the table (printable marks counted)."""
    line = table_line(event)
    assert len(line.splitlines()) == 1
    assert len(line) <= 80 + 60  # accents take no cell but count as characters
    assert table_line(event).index(advice_words(event)) >= 54
    if event.channel_name.isascii():
        assert len(line) <= 80
        assert line.index(advice_words(event)) == HEADER.index("what to do")


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("Vox 1", "Vox 1       "),
        ("Lead vocal, downstage", "Lead vocal,…"),
        ("歌手歌手歌手歌手", "歌手歌手歌… "),
        ("a\x1b[31m\n\u2028b", "a?[31m??b   "),
    ],
)
def test_names_are_cut_to_their_cells(name, shown):
    """Wide marks take two cells (Unicode annex 11); control characters never reach a terminal."""
    assert f"  {shown} " in table_line(fakes.event(channel_name=name))
    assert NAME_CELLS == 12


@pytest.mark.parametrize(
    ("time_s", "words"),
    [(0, "0:00.0"), (59.96, "0:59.9"), (60, "1:00.0"), (754.3, "12:34.3"), (3600, "1:00:00.0")],
)
def test_times_read_as_on_a_player(time_s, words):
    """Oracle: by hand. Tenths are cut, so a minute is never shown as 60.0 seconds."""
    assert time_words(time_s) == words


def test_one_thing_is_no_plural():
    """Oracle: English."""
    assert [counted(n, "alarm") for n in (0, 1, 2)] == ["0 alarms", "1 alarm", "2 alarms"]


@pytest.mark.parametrize(
    ("frequency_hz", "words"),
    [(62.94, "63 Hz"), (2513.4, "2513 Hz"), (9999.6, "10 kHz"), (12514, "12.51 kHz")],
)
def test_frequencies_read_as_on_an_equaliser(frequency_hz, words):
    """Oracle: by hand."""
    assert frequency_words(frequency_hz) == words


def test_bands_read_as_on_their_faders():
    """Fader labels of a 31-band graphic equaliser (nominal ISO 266 centres, from memory)."""
    assert [band_words(hz) for hz in (31.5, 250, 1000, 1250, 12500, 20000)] == [
        "31.5 Hz",
        "250 Hz",
        "1 kHz",
        "1.25 kHz",
        "12.5 kHz",
        "20 kHz",
    ]


def test_advice_never_asks_to_pull_for_a_suspect():
    """A suspect is watched, an alarm is pulled, with or without a known depth."""
    assert advice_words(fakes.event(RingState.SUSPECT)) == "watch 2.5 kHz"
    assert advice_words(fakes.event(RingState.HOWLING)) == "pull 2.5 kHz by 3 dB"
    assert advice_words(fakes.event(RingState.RINGING, cut_db=None)) == "pull 2.5 kHz"
    assert advice_words(fakes.event(RingState.CLEARED)) == "2.5 kHz calm"


def test_json_lines_are_the_documented_record():
    """Golden: the example of the event contract, key by key and in its order."""
    line = printed(JsonlSink, fakes.event())
    assert line == (
        '{"type": "ring", "id": 3, "channel": 1, "channel_name": "Vox 1", "state": "ringing", '
        '"time_s": 12.34, "onset_s": 12.19, "frequency_hz": 2513.4, "band_hz": 2500, '
        '"level_dbfs": -18.2, "growth_db_per_s": 42.0, "margin_db": -0.3, "cut_db": 3.0, '
        '"evidence": {"papr_db": 31.2, "phpr_db": null}}\n'
    )


@given(events)
def test_json_lines_read_back_as_the_record(event):
    """parse(render(x)) == x, a line is one line, whatever the name holds."""
    text = printed(JsonlSink, event, file="a.wav")
    assert text.count("\n") == 1
    assert json.loads(text) == {**event.record(), "file": "a.wav"}


def test_json_knows_no_nan():
    """A figure that came out as NaN is null: many readers refuse NaN (RFC 8259 has none)."""
    record = json.loads(printed(JsonlSink, fakes.event(growth_db_per_s=float("nan"))))
    assert record["growth_db_per_s"] is None


@given(events)
def test_csv_reads_back_as_the_record(event):
    """A reader of the standard library gets each cell back, empty where nothing is known."""
    alert = Alert(2, 7, "Vox 1", 7, 9, "Vox 1", "Mix 1")
    told = replace(event, act="Paper Kites", alert=alert)
    text = printed(CsvSink, told, file="a,b.wav")
    (row,) = csv.DictReader(io.StringIO(text, newline=""))
    record = {**event.record(), "file": "a,b.wav", "evidence": "papr_db=31.2"}
    record["channel_name"] = printable(event.channel_name)
    alert = {"mic": "Vox 1", "mix": "Mix 1", "wedge": None, "alert": 2, "lead_channel": 7}
    record |= {"act": "Paper Kites", **alert}
    assert list(row) == ["file", *COLUMNS]
    assert row == {key: "" if record[key] is None else str(record[key]) for key in row}


def test_csv_has_one_header_also_without_events_and_for_several_files():
    """An empty result is still a table; the second file adds rows only."""
    assert printed(CsvSink) == ",".join(COLUMNS) + "\n"
    assert printed(CsvSink, file="b.wav", has_header=False) == ""


@pytest.mark.parametrize("sink_class", [TableSink, JsonlSink, CsvSink])
def test_an_event_leaves_at_once(sink_class):
    """Each event is flushed: a pipe or a person gets it when it happens, not at the end."""

    class Unflushed(io.StringIO):
        flushed_at = 0

        def flush(self):
            self.flushed_at = self.tell()

    stream = Unflushed()
    sink = sink_class(stream)
    sink.start()
    sink.on_event(fakes.event())
    assert stream.flushed_at == len(stream.getvalue()) > 0
