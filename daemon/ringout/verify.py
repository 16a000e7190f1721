"""Does a kept sheet still hold? One pass through its bands in a minute.

Owns the check: with the sheet's faders in place and the send where it was pulled back from, what
rings within the time, and in which of the known bands. Nothing is changed and no cut is told. A
band holds only if sound was there to try it: silence proves nothing.
"""

import argparse
import json
import sys
from dataclasses import dataclass, field
from typing import Any

from prehowl.daemon.errors import FOUND_A_PROBLEM, OK, UsageError
from prehowl.daemon.events import RingEvent
from prehowl.daemon.loop import run_loop, stop_on_signals
from prehowl.daemon.ringout.advice import nearest_fader
from prehowl.daemon.ringout.origins import Origin, engine_of, open_origin
from prehowl.daemon.ringout.virtual_source import VirtualSource
from prehowl.daemon.sheets.sheet import Sheet
from prehowl.daemon.sheets.store import Store
from prehowl.daemon.show import Show
from prehowl.daemon.sinks.base import Sink, Snapshot
from prehowl.daemon.sinks.ringout import cautions
from prehowl.daemon.sinks.words import band_words, frequency_words
from prehowl.daemon.sources.limited import LimitedSource
from prehowl.detectors.bands import NOMINAL_HZ
from prehowl.detectors.loop import speed_of_sound

USUAL_S = 60.0
RISE_SHARE = 0.6
"""Share of the time in which the virtual send comes up."""
IN_HAND_DB = 1.0
"""The virtual send stops so far below what the sheet says it has won."""
QUIET_DBFS = -80.0
"""A channel that stays below this while somebody speaks into the microphone is not connected, or it
is another one. Ours."""
HEARD_SHARE = 0.5
"""A band whose turn was cut shorter than this was not tried."""


WORDS = {
    "rings": "RINGS AGAIN at",
    "near": "near its limit at",
    "holds": "holds",
    "not_heard": "NOT HEARD",
}
"""What can become of a known band, and how it is said."""


@dataclass(slots=True)
class Findings:
    """What was heard in the bands of a sheet, and beside them."""

    known: tuple[int, ...]  # faders that the sheet pulls
    rang: dict[int, float] = field(default_factory=dict)  # fader -> Hz
    near: dict[int, float] = field(default_factory=dict)
    loudest_dbfs: dict[int, float] = field(default_factory=dict)  # fader -> in its turn
    turns: float = 0.0  # gone by, the last one in part

    def turn_at(self, share: float) -> int:
        """Return whose turn it is (index into `known`) after a share, 0..1, of the pass."""
        return min(int(share * len(self.known)), len(self.known) - 1)

    def listen(self, share: float, level_dbfs: float) -> None:
        """Note how loud it is after a share, 0..1, of the pass."""
        fader = self.known[self.turn_at(share)]
        self.turns = max(self.turns, share * len(self.known))
        self.loudest_dbfs[fader] = max(self.loudest_dbfs.get(fader, level_dbfs), level_dbfs)

    def take(self, event: RingEvent) -> None:
        """Note an event: an alarm, or a suspect that never became one."""
        fader = nearest_fader(event.frequency_hz)
        if event.is_alarm:
            self.near.pop(fader, None)
            self.rang.setdefault(fader, event.frequency_hz)
        elif event.state == "suspect" and fader not in self.rang:
            self.near.setdefault(fader, event.frequency_hz)

    def found(self, fader: int) -> str:
        """Return what became of a known fader: a key of `WORDS`."""
        if fader in self.rang:
            return "rings"
        if fader in self.near:
            return "near"
        had_its_turn = self.turns >= self.known.index(fader) + HEARD_SHARE
        is_loud = self.loudest_dbfs.get(fader, QUIET_DBFS - 1) >= QUIET_DBFS
        return "holds" if had_its_turn and is_loud else "not_heard"

    @property
    def holds(self) -> bool:
        """Tell whether nothing rang, and sound was there in the turn of every known fader."""
        return not self.rang and all(self.found(fader) != "not_heard" for fader in self.known)


class Guide:
    """A `Sink` that names band after band and notes what is heard.

    Parameters
    ----------
    findings : Findings
    seconds : float
        Of the whole pass.
    """

    def __init__(self, findings: Findings, seconds: float) -> None:
        self._findings, self._seconds = findings, seconds
        self._at = -1

    def start(self) -> None:
        """Begin with the first snapshot."""

    def on_event(self, event: RingEvent) -> None:
        """Note it."""
        self._findings.take(event)

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Name the band whose turn it is, and note how loud it is."""
        known, share = self._findings.known, snapshot.time_s / self._seconds
        at = self._findings.turn_at(share)
        self._findings.listen(share, float(snapshot.level_dbfs[0]))
        if at > self._at:
            self._at = at
            _say(f"{at + 1} of {len(known)}: {band_words(NOMINAL_HZ[known[at]])}: speak or whistle")

    def close(self) -> None:
        """Do nothing."""


class Rise:
    """A `Sink` that brings the virtual send up to where the sheet says it holds."""

    def __init__(self, source: VirtualSource, won_db: float, seconds: float) -> None:
        self._source = source
        self._top_db = source.flat_limit_db + won_db - IN_HAND_DB
        self._rise_s = RISE_SHARE * seconds

    def start(self) -> None:
        """Let the first snapshot begin."""

    def on_event(self, event: RingEvent) -> None:
        """Let it pass."""

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Follow a straight line in dB."""
        share = min(snapshot.time_s / self._rise_s, 1.0)
        start_db = self._source.start_db
        self._source.move_send(start_db + share * (self._top_db - start_db), 0.1)

    def close(self) -> None:
        """Do nothing."""


def verify(args: argparse.Namespace, show: Show, store: Store, origin: Origin) -> int:
    """Run the pass and report; the exit code tells whether all holds."""
    sheet = store.load(*store.find(args.verify))
    findings = Findings(tuple(at for at, gain in enumerate(sheet.faders_db) if gain < 0))
    if not findings.known:
        raise UsageError(f"sheet {sheet.title!r}: no fader is down, there is nothing to verify")
    if not cautions.acknowledged(is_live=origin.is_live, yes=args.yes, theme=show.screen.theme):
        _say("nothing was started")
        return OK
    seconds = USUAL_S if args.seconds is None else args.seconds
    opened = open_origin(origin)
    sinks: list[Sink] = [Guide(findings, seconds)]
    if opened.virtual is not None:
        opened.virtual.move_faders([-gain for gain in sheet.faders_db])
        sinks.append(Rise(opened.virtual, sheet.gain_won_db or 0.0, seconds))
    number = 1 if opened.virtual is not None else origin.channel
    source = LimitedSource(opened.source, seconds, is_live=origin.is_live)
    engine = engine_of(opened, show.setups(number)[number - 1])
    with stop_on_signals() as stop:
        run_loop(source, engine, sinks, names=("Mix",), channel_numbers=(number,), stop=stop)
    now_c = opened.temperature_c if args.temperature is None else args.temperature
    _report(args.format, sheet, findings, now_c)
    return OK if findings.holds else FOUND_A_PROBLEM


def shift_share(then_c: float | None, now_c: float | None) -> float | None:
    """Return by what share ring frequencies have moved with the air's temperature.

    Source: the speed of sound, `detectors.loop.speed_of_sound`; a path's candidates scale with it.
    """
    if then_c is None or now_c is None:
        return None
    return speed_of_sound(now_c) / speed_of_sound(then_c) - 1


def _report(form: str, sheet: Sheet, findings: Findings, now_c: float | None) -> None:
    record = verify_record(sheet, findings, now_c)
    if form == "json":
        print(json.dumps(record, ensure_ascii=False, allow_nan=False))
    else:
        print("\n".join(verify_lines(record)))


def verify_record(sheet: Sheet, findings: Findings, now_c: float | None) -> dict[str, Any]:
    """Return what a pass found as JSON types."""
    shift = shift_share(sheet.temperature_c, now_c)
    return {
        "type": "verify",
        "sheet": sheet.title,
        "version": sheet.version,
        "holds": findings.holds,
        "bands": [
            {
                "band_hz": NOMINAL_HZ[fader],
                "cut_db": -sheet.faders_db[fader],
                "found": findings.found(fader),
                "frequency_hz": findings.rang.get(fader, findings.near.get(fader)),
            }
            for fader in findings.known
        ],
        "new_hz": [
            hz for fader, hz in sorted(findings.rang.items()) if fader not in findings.known
        ],
        "shift_percent": None if shift is None else round(100 * shift, 2),
    }


def verify_lines(record: dict[str, Any]) -> list[str]:
    """Return a pass as lines for a person."""
    lines = [f"{record['sheet']}, version {record['version']}"]
    for band in record["bands"]:
        where = "" if band["frequency_hz"] is None else f" {frequency_words(band['frequency_hz'])}"
        lines.append(
            f"{band_words(band['band_hz']):>9} -{band['cut_db']:g} dB  "
            f"{WORDS[band['found']]}{where}"
        )
    lines += [f"{frequency_words(hertz):>9}  NEW: it rings, and no fader is down there"
              for hertz in record["new_hz"]]  # fmt: skip
    if record["shift_percent"]:
        lines.append(f"the air has moved ring frequencies by {record['shift_percent']:+.2f} %")
    return lines + _verdict(record)


def _verdict(record: dict[str, Any]) -> list[str]:
    if record["holds"]:
        return ["all holds"]
    found = {band["found"] for band in record["bands"]}
    lines = []
    if "rings" in found or record["new_hz"]:
        lines.append("not all holds: ring out these bands again")
    if "not_heard" in found:
        lines.append(
            "not all was heard: is it the right channel, is the send up, did the pass run to its "
            "end?"
        )
    return lines


def _say(text: str) -> None:
    print(f"prehowl: {text}", file=sys.stderr, flush=True)
