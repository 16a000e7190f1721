"""What the benches refuse before their work, and that no result is lost to a place for files.

Oracle throughout, unless said otherwise: the contract of errors: one line on stderr and its code.
"""

import json
import sys
from argparse import Namespace
from pathlib import Path

import numpy as np
import pytest

from prehowl.daemon import cli
from prehowl.daemon.bench import (
    hearing,
    material,
    one_alert,
    paths,
    plots,
    ringouts,
    specs,
)
from prehowl.daemon.bench.peers import report as peers_report
from prehowl.daemon.bench.peers import trials
from prehowl.daemon.bench.records import Heard
from prehowl.daemon.commands.bench_checks import check_draw
from prehowl.daemon.errors import OutputError

NOWHERE = "/proc/self"
"""A folder in which nobody, not even root, can make a file."""
on_linux = pytest.mark.skipif(sys.platform != "linux", reason="needs /proc and /dev/full")


@pytest.fixture
def bench(capsys):
    """Return a function that runs a bench here and gives code, stdout and stderr."""

    def run(*words: str) -> tuple[int, str, str]:
        return (cli.main(["bench", *words]), *capsys.readouterr())

    return run


@pytest.fixture
def no_work(monkeypatch):
    """Let every bench fail the test where it begins to work."""
    for module, name in (
        (hearing, "hear"),
        (trials, "run"),
        (ringouts, "run_stages"),
        (one_alert, "figures"),
    ):
        monkeypatch.setattr(module, name, lambda *_: pytest.fail("the work began"))


@pytest.fixture
def nothing_heard(monkeypatch):
    """Let runs over cases and howl-free sound end at once, with nothing."""
    monkeypatch.setattr(hearing, "hear", lambda *_: Heard((), ()))
    monkeypatch.setattr(trials, "run", lambda *_: trials.Trials((), ()))


@pytest.mark.parametrize("name", ["detection", "peers"])
def test_cases_without_recordings_are_refused_at_once(bench, no_work, monkeypatch, name):
    """A computer without the recordings has the made sounds alone; both benches draw the cases."""
    made = tuple(material._made())
    monkeypatch.setattr(material, "catalogue", lambda: made)
    code, out, err = bench(name, "--split", "tune", "--cases", "24", "--minutes", "0")
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert "--cases 24" in err
    assert "of speech and band the split tune has none here" in err
    assert ".ci/apt-packages" in err
    asked = Namespace(cases=0, minutes=1.0, seed=1, jobs=1, plots=None, families=[], split="tune")
    check_draw(asked)  # howl-free sound alone needs none of them


@pytest.mark.parametrize("name", ["detection", "peers"])
@pytest.mark.parametrize("has", [True, False])
def test_the_result_tells_whether_rooms_were_modelled(bench, nothing_heard, monkeypatch, name, has):
    """Oracle: the documented key."""
    monkeypatch.setattr(paths, "has_rooms", lambda: has)
    words = ("--cases", "0", "--minutes", "1", "--families", "hum", "--format", "json")
    assert json.loads(bench(name, *words)[1])["modelled_rooms"] is has


@pytest.mark.parametrize("name", ["detection", "peers"])
@pytest.mark.parametrize("has", [True, False])
def test_the_heading_says_nothing_of_rooms_where_there_are_no_cases(
    bench, nothing_heard, monkeypatch, name, has
):
    """Oracle: definition: howl-free sound needs no path."""
    monkeypatch.setattr(paths, "has_rooms", lambda: has)
    code, out, _ = bench(name, "--cases", "0", "--minutes", "1", "--families", "hum")
    assert code == 0
    assert "rooms" not in out


@pytest.mark.parametrize(("has", "rings"), [(True, 3), (False, 3), (False, 0)])
def test_the_heading_of_peers_tells_of_missing_rooms(monkeypatch, has, rings):
    """Oracle: definition; that of `bench detection` is tested with its report."""
    for part in ("_budgets", "_published", "_dominated"):
        monkeypatch.setattr(peers_report, part, lambda _: iter(()))
    told = {"modelled_rooms": has, "rings": rings, "hours": {}, "split": "tune", "seed": 1}
    text = "\n".join(peers_report.lines(told))
    assert ("without modelled rooms" in text) is (not has and rings > 0)


def test_without_rooms_only_their_cases_are_others(monkeypatch):
    """Property: all else of every case is the same, and a room becomes echoes."""
    drawn = {}
    for has in (True, False):
        monkeypatch.setattr(specs, "has_rooms", lambda has=has: has)
        drawn[has] = specs.draw_specs("tune", 40, 1)
    rooms = [spec.shape == "room" for spec in drawn[True]]
    assert 4 <= sum(rooms) <= 16
    for with_rooms, without, is_room in zip(drawn[True], drawn[False], rooms, strict=True):
        changed = {
            name
            for name in specs.Spec.__slots__
            if getattr(with_rooms, name) != getattr(without, name)
        }
        assert changed == ({"shape"} if is_room else set())
        assert without.shape in ("resonance", "echoes")


@on_linux
@pytest.mark.parametrize(
    ("words", "option"),
    [
        (["detection", "--dump", NOWHERE], "--dump"),
        (["detection", "--plots", NOWHERE], "--plots"),
        (["peers", "--plots", NOWHERE], "--plots"),
        (["alerts", "--keep", NOWHERE], "--keep"),
    ],
)
def test_a_folder_that_cannot_be_written_is_refused_at_once(
    bench, no_work, monkeypatch, words, option
):
    """The folder is there, and no file can be made in it."""
    monkeypatch.setattr(plots, "require", lambda: None)
    code, out, err = bench(*words)
    assert (code, out, err.count("\n")) == (3, "", 1)
    assert f"{option} {NOWHERE}: nothing can be written there" in err


def test_a_ring_outs_dump_that_cannot_be_opened_is_refused_at_once(bench, no_work, tmp_path):
    """A folder that is not there, and a folder in place of a file."""
    for place in (tmp_path / "missing" / "dump.jsonl", tmp_path):
        code, out, err = bench("ringout", "--dump", str(place))
        assert (code, out, err.count("\n")) == (3, "", 1)
        assert f"--dump {place}: cannot be written" in err


@on_linux
def test_a_ring_outs_dump_that_fills_the_disc_loses_no_result(bench, monkeypatch):
    """Writing fails after the first stages; the run goes on, is told, and then the failure."""

    def stages(*given):
        given[-1].add([{"seed": 1}])
        given[-1].add([{"seed": 2}])
        return []

    monkeypatch.setattr(ringouts, "run_stages", stages)
    monkeypatch.setattr(ringouts, "figures", lambda _: {"type": "ringout-bench"})
    code, out, err = bench("ringout", "--dump", "/dev/full", "--format", "json")
    assert (code, err.count("\n")) == (3, 1)
    assert json.loads(out)["type"] == "ringout-bench"
    assert "--dump /dev/full: cannot be written (No space left" in err


def test_a_ring_outs_dump_is_added_to(tmp_path):
    """Oracle: documented: one object a stage, after what is there."""
    file = tmp_path / "dump.jsonl"
    file.write_text("before\n")
    made = ringouts.Dump(file)
    made.add([{"seed": 1}, {"seed": 2}])
    made.check()
    assert file.read_text() == 'before\n{"seed": 1}\n{"seed": 2}\n'


def test_detection_tells_its_result_though_no_file_can_be_written(
    bench, nothing_heard, monkeypatch, tmp_path
):
    """The dump's file is a folder, and the plots fail too: the figures are out before."""
    (tmp_path / "cases.jsonl").mkdir()
    monkeypatch.setattr(plots, "require", lambda: None)
    drawn = []
    monkeypatch.setattr(plots, "draw_detection", lambda *given: drawn.append(given[-1]))
    words = ("--cases", "0", "--minutes", "1", "--families", "hum", "--format", "json")
    places = ("--dump", str(tmp_path), "--plots", str(tmp_path))
    code, out, err = bench("detection", *words, *places)
    assert (code, err.count("\n")) == (3, 1)
    assert json.loads(out)["type"] == "detection"
    assert f"--dump {tmp_path}: cannot write there" in err
    assert drawn == [tmp_path]  # a dump that fails keeps no picture from being drawn


def test_peers_tells_its_result_though_the_picture_cannot_be_drawn(
    bench, nothing_heard, monkeypatch, tmp_path
):
    """As above."""

    def fail(*_):
        raise OutputError("--plots: cannot write there")

    monkeypatch.setattr(plots, "require", lambda: None)
    monkeypatch.setattr(plots, "draw_peers", fail)
    words = ("--cases", "0", "--minutes", "1", "--families", "hum", "--format", "json")
    code, out, _ = bench("peers", *words, "--plots", str(tmp_path))
    assert code == 3
    assert json.loads(out)["type"] == "peers"


def test_alerts_tells_its_result_though_it_cannot_be_kept(bench, monkeypatch, tmp_path):
    """A folder stands where the recording is to go."""
    (tmp_path / one_alert.AUDIO).mkdir()

    def figures(_, folder: Path):
        one_alert.write(folder, np.zeros((480, 4), np.float32))
        return {"seed": 1}

    monkeypatch.setattr(one_alert, "figures", figures)
    code, out, err = bench("alerts", "--keep", str(tmp_path), "--format", "json")
    assert (code, err.count("\n")) == (3, 1)
    assert json.loads(out) == {"type": "alerts", "seed": 1}
    assert f"--keep {tmp_path}: cannot write there" in err


def test_a_recording_that_cannot_be_written_is_a_fault_for_people(tmp_path):
    """What the sound library says of it is no internal fault."""
    with pytest.raises(OutputError, match="cannot be written"):
        one_alert.write(tmp_path / "missing", np.zeros((480, 4), np.float32))
