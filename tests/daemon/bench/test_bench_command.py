"""`prehowl bench` as a person or a script meets it: through the real command."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from prehowl.daemon import cli
from prehowl.daemon.bench import hearing, material

PREHOWL = str(Path(sys.executable).with_name("prehowl"))


def bench(*words):
    """Run the command and return what it printed."""
    done = subprocess.run(
        [PREHOWL, "bench", *words], capture_output=True, text=True, check=False, timeout=240
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return done.stdout


@pytest.fixture(scope="module")
def packages():
    """Recordings must be there in CI; elsewhere a test without them is skipped."""
    missing = {"music", "speech"} - {piece.group for piece in material.catalogue()}
    if missing and os.environ.get("PREHOWL_REQUIRE_MATERIAL") != "1":
        pytest.skip(f"no material for {sorted(missing)}; install .ci/apt-packages")
    assert not missing


@pytest.mark.material
def test_a_small_run_reports_all_and_repeats(packages, tmp_path):
    """Oracle: the documented keys; invariance: the same seed gives the same figures, whatever the
    number of processes; the dump holds each case with a verdict for each ring."""
    words = ("detection", "--split", "tune", "--cases", "2", "--seed", "1", "--format", "json")
    free = ("--minutes", "0.5", "--families", "line-up")
    figures = json.loads(bench(*words, *free, "--jobs", "2", "--dump", str(tmp_path)))
    alone = json.loads(bench(*words, "--minutes", "0", "--jobs", "1"))
    assert {k: v for k, v in figures.items() if k != "howl_free"} == {
        k: v for k, v in alone.items() if k != "howl_free"
    }
    assert {"targets", "growth", "kinds", "frequency", "howl_cases", "marginal"} < set(figures)
    assert [row["name"] for row in figures["howl_free"]["families"]] == ["line-up"]
    assert figures["howl_cases"]["cases"] == 2
    cases = [json.loads(line) for line in (tmp_path / "cases.jsonl").read_text().splitlines()]
    rings = sum(row["rings"] for row in figures["growth"]) + figures["instant"]["rings"]
    assert rings == sum(len(case["verdicts"]) for case in cases)


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["detection", "--minutes", "nan"], 2, "0 or above and finite"),
        (["detection", "--cases", "0", "--minutes", "0"], 2, "not both 0"),
        (["detection", "--dump", "{file}/x"], 3, "--dump {file}/x: no folder can be made there"),
        (["load", "--channels", "0"], 2, "--channels is 0"),
    ],
)
def test_what_cannot_be_is_told_before_the_work(words, code, said, tmp_path, capsys, monkeypatch):
    """Oracle: definition. One line and its code; nothing is simulated, since nothing could be."""
    monkeypatch.setattr(hearing, "hear", lambda *_: pytest.fail("the work began"))
    file = tmp_path / "file"
    file.touch()
    assert cli.main(["bench", *(word.format(file=file) for word in words)]) == code
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert said.format(file=file) in err


def test_the_number_of_threads_is_set_in_time():
    """Oracle: definition. OpenBLAS reads its environment once, when numpy is imported, so that must
    not have happened when the command begins.
    """
    code = "import sys, prehowl.daemon.cli, prehowl.daemon.commands.bench; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "prehowl.daemon.commands.bench" in done.stdout.split()
    assert "numpy" not in done.stdout.split()


@pytest.mark.optional
@pytest.mark.material
def test_peers_and_engine_are_compared_on_the_same_sound(packages, tmp_path):
    """Oracle: the documented keys; every curve has its points, and the picture is drawn."""
    pytest.importorskip("matplotlib", reason="needs the extra `bench`")
    words = ("peers", "--split", "tune", "--cases", "1", "--minutes", "0", "--jobs", "1")
    found = json.loads(bench(*words, "--plots", str(tmp_path), "--format", "json"))
    assert found["type"] == "peers"
    assert found["rings"] == 1
    names = [curve["name"] for curve in found["curves"]]
    assert names[0] == "prehowl"
    assert {"PTPR", "PAPR", "PHPR", "PNPR", "IPMP", "IMSD", "FEP", "slope deviation"} < set(names)
    assert all(curve["points"] for curve in found["curves"])
    assert (tmp_path / "recall-against-false-alarms.png").is_file()


@pytest.mark.optional
@pytest.mark.material
def test_the_published_protocols_are_repeated(packages):
    """Oracle: the documented keys: both materials, every course, all with one loop each."""
    pytest.importorskip("pyroomacoustics", reason="needs the extra `bench`")
    words = ("protocol", "--split", "tune", "--files", "1", "--jobs", "1", "--format", "json")
    found = json.loads(bench(*words))
    assert [one["material"] for one in found["accuracy"]] == ["speech", "music"]
    assert all(one["files"] + one["dropped"] == 1 for one in found["accuracy"])
    assert {row["loops"] for row in found["premature"]} == {1}
    assert len(found["premature"]) == 8


def test_load_prints_one_object():
    """Oracle: the documented keys; the cost of two channels is above nothing."""
    found = json.loads(bench("load", "--channels", "2", "--seconds", "1", "--format", "json"))
    assert found["channels"] == 2
    assert found["rate_hz"] == 48000
    assert found["ratio"] == pytest.approx(found["realtime_share"] / found["floor_share"], rel=0.1)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("detection", "--cases", "0", "--minutes", "0"), "not both 0"),
        (("detection", "--jobs", "0"), "--jobs is 0"),
        (("detection", "--families", "kazoo"), "kazoo not known"),
        (("peers", "--cases", "-1"), "must be 0 or above"),
        (("protocol", "--files", "0"), "--files is 0"),
        (("detection", "--sensitivity", "0"), "--sensitivity is 0"),
        (("protocol", "--over", "9"), "--over is 9"),
        (("load", "--channels", "0"), "--channels is 0"),
        (("load", "--rate", "1000"), "--rate is 1000"),
        (("load", "--seconds", "0"), "--seconds is 0"),
        (("load", "--seed", "-1"), "--seed is -1; it takes 0 to 2147483648"),
        (("latency", "--seed", "-1"), "--seed is -1"),
        (("soak", "--seed", "-1"), "--seed is -1"),
        (("detection", "--seed", "-1"), "--seed is -1"),
        (("protocol", "--seed", str(10**400)), "--seed is 1000"),
    ],
)
def test_impossible_wishes_are_one_line(words, told, capsys):
    """Oracle: the contract of errors: exit code 2, one line on stderr that says what is wrong."""
    assert cli.main(["bench", *words]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert told in err
    assert err.count("\n") == 1
