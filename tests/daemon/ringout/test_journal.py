"""The journal: nothing that was ever shown is lost, wherever the end came."""

import json
from dataclasses import asdict
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prehowl.daemon.events import RingEvent
from prehowl.daemon.ringout import acts
from prehowl.daemon.ringout.conductor import Conductor
from prehowl.daemon.ringout.journal import Journal, JournalError, recall
from prehowl.daemon.ringout.keep import sheet_of
from prehowl.daemon.ringout.origins import Origin
from prehowl.daemon.ringout.records import entry_of_record, record_of_entry
from prehowl.daemon.ringout.session import begin, fold
from prehowl.daemon.ringout.state import Plan, State
from prehowl.detectors.rings import RingState

PLAN = Plan(mix="Mix 1", monitor="Wedge 12", microphone="Vocal", place="Märchenwald 🎤")
FLOOR = tuple(-60.0 + band for band in range(31))
STORY: tuple[acts.Entry, ...] = (
    acts.Raised(0.5, 1.0),
    acts.RingHeard(1.0, 1, 2513.25, -20.5, 40.0, -0.3, FLOOR),
    acts.Made(2.0),
    acts.RingGone(2.5, 1),
    acts.RingHeard(6.0, 2, 890.0, -31.0, None, None),
    acts.Corrected(7.0, ((800.0, 2.0), (1000.0, 2.5))),
    acts.RingGone(7.5, 2),
    acts.RingHeard(9.0, 3, 250.0, -30.0, 12.0, None),
    acts.RingGone(9.5, 3),
    acts.TimeUp(11.5),
    acts.Undo(12.0),
    acts.Interrupted(12.5),
    acts.GainEntered(13.0, 6.0),
    acts.RingHeard(14.0, 4, 400.0, -30.0, 12.0, None, at="2026-07-04T14:30:00+02:00"),
    acts.Skip(15.0),
    acts.GoOn(16.0),
    acts.Finish(17.0, FLOOR),
    acts.Kept(17.0),
)


def written(path: Path, entries: tuple[acts.Entry, ...] = STORY) -> bytes:
    journal = Journal.begin(path, PLAN, asdict(Origin("virtual", seed=3)))
    for entry in entries:
        journal.append(entry)
    journal.close()
    return path.read_bytes()


@pytest.mark.parametrize("entry", STORY, ids=lambda entry: type(entry).__name__)
def test_every_entry_comes_back_as_it_was(entry: acts.Entry) -> None:
    """Oracle: parse(render(x)) == x, through JSON itself."""
    assert entry_of_record(json.loads(json.dumps(record_of_entry(entry)))) == entry


def test_cut_at_any_byte_it_is_the_story_up_to_there(tmp_path: Path) -> None:
    """Oracle: definition. Of a journal that is cut anywhere (every 11th byte, and each byte around
    the ends of lines) all whole lines count, and the rest of a line is cut away; after resuming,
    the story can be told to its end.
    """
    whole = written(tmp_path / "whole.jsonl")
    ends = [at for at, mark in enumerate(whole, start=1) if mark == ord("\n")]
    around = {end + off for end in ends for off in (-2, -1, 0, 1)}
    for at in sorted({*range(0, len(whole), 11), *around} - {len(whole) + 1}):
        path = tmp_path / "cut.jsonl"
        path.write_bytes(whole[:at])
        if at < ends[0]:
            with pytest.raises(JournalError, match="nothing was journalled"):
                recall(path)
            continue
        known = sum(end <= at for end in ends) - 1
        recalled = recall(path)
        assert recalled.entries == STORY[:known]
        assert (recalled.plan, recalled.origin["seed"]) == (PLAN, 3)
        if at % 5 == 0:
            journal = Journal.resume(path, recalled)
            for entry in STORY[known:]:
                journal.append(entry)
            journal.close()
            assert path.read_bytes() == whole


class Crash(BaseException):
    """The plug is pulled."""


class DyingLog:
    """A journal whose process dies at a given entry, before or after it is on the disk."""

    def __init__(self, journal: Journal, dies_at: int, *, is_written: bool) -> None:
        self._journal, self._left, self._is_written = journal, dies_at, is_written

    def append(self, entry: acts.Entry) -> None:
        self._left -= 1
        if self._left < 0 and not self._is_written:
            raise Crash
        self._journal.append(entry)
        if self._left < 0:
            raise Crash


class Seen:
    """A watcher that remembers what was last shown."""

    def __init__(self) -> None:
        self.state: State | None = None

    def on_state(self, state: State, entry: acts.Entry | None) -> None:
        self.state = state

    def close(self) -> None:
        """Nothing to end."""


def event(ring_id: int, state: RingState, time_s: float, hertz: float) -> RingEvent:
    return RingEvent(ring_id, 1, "Mix", state, time_s, time_s, hertz, 1000, -20.0, 30.0, -0.2, 3.0)


def play(conductor: Conductor) -> None:
    """Lead a short ring-out: ring, pull, cleared, three times, then finish."""
    conductor.start()
    for number, hertz in enumerate((2513.0, 890.0, 400.0), start=1):
        at = 10.0 * number
        conductor.on_event(event(number, RingState.RINGING, at, hertz))
        conductor.submit(acts.Made(0.0))
        conductor.on_event(event(number, RingState.CLEARED, at + 2, hertz))
    conductor.submit(acts.Finish(0.0))
    conductor.close()


@settings(max_examples=30, deadline=None)
@given(dies_at=st.integers(0, 9), is_written=st.booleans())
def test_killed_at_any_step_nothing_that_was_shown_is_lost(
    tmp_path_factory: pytest.TempPathFactory, dies_at: int, is_written: bool
) -> None:
    """Oracle: property. What was last on the screen is a state on the way to what the journal
    gives back: equal to it, or one entry behind that was on the disk but not yet shown.
    """
    path = tmp_path_factory.mktemp("journal") / "j.jsonl"
    journal = Journal.begin(path, PLAN, {})
    seen = Seen()
    conductor = Conductor(begin(PLAN), DyingLog(journal, dies_at, is_written=is_written), (seen,))
    with pytest.raises(Crash):
        play(conductor)
    journal.close()
    entries = recall(path).entries
    assert len(entries) == dies_at + is_written
    assert seen.state == fold(PLAN, entries[:dies_at])
    assert seen.state is not None
    assert fold(PLAN, entries).time_s >= seen.state.time_s


def test_a_resumed_ring_out_goes_on_where_it_stood(tmp_path: Path) -> None:
    """Oracle: equivalence with the one that was not interrupted: same faders, same list."""
    whole = Conductor(
        begin(PLAN), DyingLog(Journal.begin(tmp_path / "w", PLAN, {}), 99, is_written=True)
    )
    play(whole)
    for kept in range(len(recall(tmp_path / "w").entries)):
        entries = recall(tmp_path / "w").entries
        state = fold(PLAN, entries[:kept])
        rest = fold(PLAN, entries)
        assert fold(state.plan, (*entries[:kept], *entries[kept:])) == rest
    assert len(whole.state.found) == 3


def test_a_ring_is_dated_when_it_is_heard_not_when_the_sheet_is_kept(tmp_path: Path) -> None:
    """Oracle: two clocks: rings at half past two, the sheet kept an hour later. A journal that was
    written before rings had dates gives none.
    """
    heard_at, kept_at = "2026-07-04T14:30:00+02:00", "2026-07-04T15:30:00+02:00"
    path = tmp_path / "j.jsonl"
    journal = Journal.begin(path, PLAN, {})
    conductor = Conductor(begin(PLAN), journal, moment=lambda: heard_at)
    play(conductor)
    journal.close()
    sheet = sheet_of(fold(PLAN, recall(path).entries), kept_at)
    assert sheet.made_at == kept_at
    assert {ring.at for ring in sheet.rings} == {heard_at}
    path.write_text(path.read_text().replace(f', "at": "{heard_at}"', ""))
    old = sheet_of(fold(PLAN, recall(path).entries), kept_at)
    assert len(old.rings) == len(sheet.rings)
    assert {ring.at for ring in old.rings} == {""}


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (lambda text: text.replace('"version": 2', '"version": 3'), "version 3.*update prehowl"),
        (lambda text: text.replace('"type": "ringout"', '"type": "x"'), "not a journal"),
        (lambda text: text.replace('"entry": "made"', '"entry": "mad"'), "line 4: damaged"),
        (lambda text: text.replace('"ring_id": 1', '"ring_id": "1"', 1), "line 3: damaged"),
        (lambda text: text.replace('"mix"', '"mixx"'), "unknown key 'mixx'"),
        (lambda text: "\x00\n" + text, "not a journal"),
    ],
)
def test_a_damaged_journal_is_told_and_left_alone(
    tmp_path: Path, damage: object, said: str
) -> None:
    """Oracle: definition; the file's bytes are what they were."""
    path = tmp_path / "j.jsonl"
    text = written(path).decode()
    path.write_text(damage(text))  # type: ignore[operator]
    before = path.read_bytes()
    with pytest.raises(JournalError, match=said):
        recall(path)
    assert path.read_bytes() == before


def of_version_1(path: Path) -> bytes:
    """Write a journal as before interruptions, dates, the desk's rate, folder and show file."""
    head, *lines = written(path, STORY[:3]).splitlines()
    told = json.loads(head)
    del told["folder"], told["show"], told["plan"]["desk_rate_hz"]
    entries = [json.loads(line) for line in lines]
    for entry in entries:
        entry.pop("at", None)
    old = [told | {"version": 1}, *entries]
    path.write_text("".join(json.dumps(record, ensure_ascii=False) + "\n" for record in old))
    return path.read_bytes()


def test_an_older_journal_is_read_and_resumed_as_one_of_this_version(tmp_path: Path) -> None:
    """Oracle: the bytes: the head's version and the new line are all that differs, so that a
    program that knows version 1 only asks for an update and takes no new line for damage.
    """
    path = tmp_path / "j.jsonl"
    old = of_version_1(path)
    recalled = recall(path)
    assert (recalled.entries, recalled.plan) == (STORY[:3], PLAN)
    assert path.read_bytes() == old  # reading alone changes nothing
    journal = Journal.resume(path, recalled)
    journal.append(acts.Interrupted(3.0))
    journal.close()
    line = json.dumps(record_of_entry(acts.Interrupted(3.0))).encode() + b"\n"
    assert path.read_bytes() == old.replace(b'"version": 1', b'"version": 2') + line
    assert recall(path).entries == (*STORY[:3], acts.Interrupted(3.0))


def test_a_new_journal_is_no_longer_of_the_version_that_knew_no_interruptions(
    tmp_path: Path,
) -> None:
    """Oracle: definition: what an older program reads first and refuses."""
    assert json.loads(written(tmp_path / "j.jsonl", ()))["version"] > 1


def test_two_programs_cannot_write_one_journal(tmp_path: Path) -> None:
    """Oracle: definition: the second one is refused, and may come when the first has gone."""
    path = tmp_path / "j.jsonl"
    journal = Journal.begin(path, PLAN, {})
    with pytest.raises(JournalError, match="another prehowl"):
        Journal.resume(path, recall(path))
    journal.close()
    Journal.resume(path, recall(path)).close()
