"""The whole of it: two daemons, three attached screens, four receivers (`festival_rig.py`).

Whatever the dead, the slow and the babbling receiver do, what reaches the good one is complete and
in order, and on time. Truth is each daemon's own events on stdout; a bundle's time tag, set as the
event enters the sink, tells when it was.

By default eight seconds of noise with howls. Where PREHOWL_LONG_OSC is set, as in CI: two minutes
of the virtual festival (40 s of it three times), and the time is judged too.
"""

import json
import os
from collections import defaultdict

import numpy as np
import pytest
from festival_rig import CHANNELS, Outcome, festival_audio, howling_audio, run_festival

IS_LONG = bool(os.environ.get("PREHOWL_LONG_OSC"))
ON_TIME_S = 0.010


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """Run everything once."""
    audio = np.tile(festival_audio(40), (3, 1)) if IS_LONG else howling_audio(8)
    return run_festival(tmp_path_factory.mktemp("festival"), audio)


def events(outcome: Outcome, title: str) -> list[dict]:
    """Return the events that a daemon printed."""
    records = map(json.loads, outcome.out[title].splitlines())
    return [record for record in records if record["type"] == "ring"]


def sender(outcome: Outcome, title: str) -> int:
    """Return the port that a daemon sends to the good receiver from."""
    (port,) = {m.sender for m in outcome.good.messages(f"/{title}/")}
    return port


@pytest.mark.parametrize("title", CHANNELS)
def test_the_good_one_gets_everything_in_order(outcome: Outcome, title: str) -> None:
    """Oracle: the daemon's own events; read by oscpy, none missing, none twice, in order."""
    truth = [(e["id"], e["state"], round(1000 * e["time_s"])) for e in events(outcome, title)]
    port = sender(outcome, title)
    rings = [m.values for m in outcome.good.messages("/prehowl/ring") if m.sender == port]
    assert len(truth) >= 6
    assert [(v[1], v[4], v[5]) for v in rings] == truth
    mapped = [(m.values[0], m.values[1]) for m in outcome.good.messages(f"/{title}/event")]
    assert mapped == [(i, state) for i, state, _ in truth if state != "cleared"]


@pytest.mark.skipif(not IS_LONG, reason="judged in the long run only; CI sets PREHOWL_LONG_OSC")
def test_the_good_one_gets_it_on_time(outcome: Outcome, record_property) -> None:
    """Oracle: the kernel's time of arrival against the time tag of the event's bundle."""
    told = [m for title in CHANNELS for m in outcome.good.messages(f"/{title}/event")]
    late_s = [m.at_s - m.tag_s for m in told if m.tag_s is not None]
    p50, p99 = np.percentile(late_s, [50, 99])
    record_property("late", f"{len(late_s)} events: p50 {1e3 * p50:.2f} ms, p99 {1e3 * p99:.2f} ms")
    assert len(late_s) == len(told) > 0
    assert min(late_s) > -0.001
    assert p99 <= ON_TIME_S


def test_heartbeats_have_no_gap(outcome: Outcome) -> None:
    """Oracle: docs/osc.md: each daemon's sequence rises by one from 1 on, then comes its bye."""
    beats = defaultdict(list)
    for m in outcome.good.messages("/prehowl/heartbeat"):
        beats[m.sender].append(m.values[0])
    assert set(beats) == {sender(outcome, title) for title in CHANNELS}
    for told in beats.values():
        assert told == list(range(1, len(told) + 1))
    byes = {m.sender: m.values[0] for m in outcome.good.messages("/prehowl/bye")}
    assert byes == {port: told[-1] for port, told in beats.items()}


def test_the_next_act_came_by_osc(outcome: Outcome) -> None:
    """The verb is in the event stream and at the good receiver, and events carry the act."""
    records = map(json.loads, outcome.out["main"].splitlines())
    notes = [record for record in records if record["type"] == "control"]
    assert [(n["verb"], n["done"], n["by"]) for n in notes] == [("next_act", True, "osc 127.0.0.1")]
    assert [m.values[0] for m in outcome.good.messages("/prehowl/control")] == ["next_act"]
    acts = [e["act"] for e in events(outcome, "main")]
    assert set(acts) == {"Paper Kites", "Third Rail"}
    assert acts == sorted(acts)
    assert {e["act"] for e in events(outcome, "side")} == {"Paper Kites"}


def test_every_screen_showed_its_daemons_and_their_end(outcome: Outcome) -> None:
    """What was drawn names each show, a ring, and at last that the watch has ended."""
    for drawn, titles in zip(
        outcome.screens, (("main", "side"), ("main",), ("side",)), strict=True
    ):
        assert all(title in drawn for title in titles)
        assert any(word in drawn for word in ("RINGING", "SUSPECT", "HOWLING"))
        assert "has ended its watch" in drawn
        assert "Traceback" not in drawn
        assert "\x1b[?1049l" in drawn  # the terminal was given back


def test_the_daemons_told_of_the_bad_ones_and_ended_well(outcome: Outcome) -> None:
    """The dead one is named; nothing crashed; the summary is the last line."""
    for text in outcome.err.values():
        assert "Traceback" not in text
        assert "OSC to Dead: nothing listens" in text
        assert "OSC to Good" not in text
        assert "watched" in text.splitlines()[-1]
