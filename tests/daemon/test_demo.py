"""`prehowl demo` through its real entry: repeatable, well formed, refusing the impossible."""

import json

import pytest

from prehowl.daemon.cli import main
from prehowl.daemon.sources.stage import StageSource
from prehowl.daemon.stage.festival import Festival
from prehowl.daemon.stage.stage_truth import margin_db


def demo(capsys: pytest.CaptureFixture[str], *options: str) -> str:
    words = ["demo", "--pace", "fast", "--headless", "--format", "jsonl", *options]
    assert main(words) == 0
    return capsys.readouterr().out


def test_the_same_seed_prints_the_same_bytes(capsys: pytest.CaptureFixture[str]) -> None:
    """Oracle: definition of repeatability; every line is an object of the contract's types."""
    options = ("--seconds", "2", "--seed", "7", "--truth")
    first = demo(capsys, *options)
    assert first == demo(capsys, *options)
    assert first
    assert {json.loads(line)["type"] for line in first.splitlines()} <= {"ring", "truth"}


def test_the_first_incident_takes_the_loop_past_its_limit() -> None:
    """Oracle: the poles of the loop. The festival starts with 5 dB in hand; a singer who asks for
    more three times passes the limit, and only then something is above it.
    """
    festival = Festival(48000, 7, with_truth=True)
    state = festival.loop_state()
    assert margin_db(state, 48000) == pytest.approx(5.0, abs=0.1)
    source = StageSource(festival, 13.0)
    crossings, samples = [], 0
    while (block := source.read()) is not None:
        samples += len(block.samples)
        crossings += festival.take_crossings()
    assert samples == 13 * 48000
    assert source.health().state == "ended"
    ups = [crossing for crossing in crossings if crossing.takes_off]
    assert ups
    assert 11.0 < ups[0].time_s < 13.0
    assert ups[0].mode.mic == ups[0].mode.mix  # the singer's own wedge


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--seconds", "0"], "above 0"),
        (["--seconds", "nan"], "above 0"),
        (["--seed", "-1"], "seed"),
    ],
)
def test_the_impossible_is_refused(
    options: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Oracle: exit code 2 and one line that says what is wrong."""
    assert main(["demo", *options]) == 2
    assert said in capsys.readouterr().err
