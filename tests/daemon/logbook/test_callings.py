"""What the channels are called along a run, and what the report calls them in each act."""

from dataclasses import replace

from fakes import snapshot
from logbook.books import INFO, howl

from prehowl.daemon.logbook.reader import LogbookReader
from prehowl.daemon.logbook.records import ActChange
from prehowl.daemon.logbook.report.data import gather
from prehowl.daemon.logbook.sink import ClipPlan, LogbookSink

NAMES = ("Vox 1", "Vox 2", "Mix 1")
ACTS = (
    ("One", NAMES),
    ("Two", ("Vox 1", "Sax", "Mix 1")),
    ("Three", ("Moth", "Sax", "Mix 1")),
    ("Four", NAMES),
)
ACT_S = 30.0


def test_a_channel_is_called_in_each_act_as_it_was_then(tmp_path):
    """Oracle: by hand. The run's Vox 2 rings in the first act, its channel as Sax in the second.

    In the others all is quiet; in the third, another singer stands at Vox 1, who never rings.
    """
    path = tmp_path / "a.logbook"
    sink = LogbookSink(path, INFO, clips=ClipPlan(is_on=False))
    sink.start()
    for number, (act, names) in enumerate(ACTS):
        begin_s = number * ACT_S
        sink.keep(ActChange(act).entry(begin_s))
        for after_s in (0.0, 0.2):
            sink.on_snapshot(replace(snapshot(3, time_s=begin_s + after_s), names=names, act=act))
        for event in howl(number, 2, begin_s + 10, name=names[1]) if number < 2 else ():
            sink.on_event(event)
    sink.on_snapshot(replace(snapshot(3, time_s=4 * ACT_S), names=NAMES, act="Four"))
    sink.close()
    with LogbookReader(path) as reader:
        acts = gather(reader).acts
        told = [line.data for line in reader.lines(kind="names")]
    loud = [[channel.row.name for channel in act.channels] for act in acts]
    assert loud == [["Vox 2"], ["Sax"], [], []]
    assert [act.quiet for act in acts] == [
        ("Vox 1", "Mix 1"),
        ("Vox 1", "Mix 1"),
        ("Moth", "Sax", "Mix 1"),
        NAMES,
    ]
    assert told[0] == {"text": "called from now on: 2 Sax", "names": {"2": "Sax"}, "act": "Two"}
    assert [data["names"] for data in told[1:]] == [{"1": "Moth"}, {"1": "Vox 1", "2": "Vox 2"}]


def test_a_name_is_told_as_a_file_can_hold_it(tmp_path):
    """Oracle: by hand. A byte that is no UTF-8 costs neither the entry nor the logbook."""
    sink = LogbookSink(tmp_path / "a.logbook", INFO, clips=ClipPlan(is_on=False))
    sink.start()
    sink.on_snapshot(replace(snapshot(3), names=("caf\udce9", *NAMES[1:])))
    sink.close()
    assert sink.missing == ""
    with LogbookReader(tmp_path / "a.logbook") as reader:
        (line,) = reader.lines()
    assert line.data["names"] == {"1": "caf\\udce9"}
