"""Decides what fills the large space at the top: one message, chosen by what matters most.

Order: a living ring that nobody has acknowledged; then a fault of the watch itself, because a
quiet screen that hears nothing must not look calm; then a ring that has just cleared; then
acknowledged rings; then silence; then calm. A fault beats a ring too once no snapshot, or no
sound, comes any more, since what is known of the ring is then old.
"""

from dataclasses import dataclass

from rich.cells import cell_len

from prehowl.daemon.alerts_now import BADNESS
from prehowl.daemon.events import RingEvent
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.sinks.dashboard.model import Held, View
from prehowl.daemon.sinks.dashboard.wording import (
    FEWEST_OF_NAME,
    age_words,
    band_and_cut,
    clean,
    clock_words,
    cut_to,
    cut_words,
    heard_words,
    loop_words,
    margin_words,
    mix_words,
    name_first,
    progress_words,
    sheet_words,
)
from prehowl.daemon.sinks.words import band_words, frequency_words
from prehowl.detectors.bands import NOMINAL_HZ

STALE_S = 2.0
"""Snapshots come about ten times a second; this long without one means that nobody listens."""
SILENT_DBFS = -90.0
"""Below the noise of any microphone preamplifier that is switched on (our choice)."""
AT_CAP = "AT CAP"
"""In place of a cut: the fader is as far down as the channel's EQ sheet lets it go."""
NEAR = 0.25
"""Share of an alarm from which a calm screen names the band that is nearest to one."""


@dataclass(frozen=True, slots=True)
class Aside:
    """One further part: who, and what of it, which is kept longest."""

    who: str
    what: str = ""

    @property
    def text(self) -> str:
        """Return it whole."""
        return f"{self.who} {self.what}".strip()

    def within(self, cells: int, ellipsis: str) -> str:
        """Return it in at most `cells` cells."""
        return name_first(self.who, self.what, cells, ellipsis)


ALSO = Aside("also:")


@dataclass(frozen=True, slots=True)
class Panel:
    """The large message, independent of the size of the screen."""

    rank: int  # 0 calm, 1 suspect, 2 ringing, 3 howling, 4 the watch is at fault
    head: str  # left, large: who, or the one word
    state: str  # right, large: how bad
    band: str  # "2.5 kHz" as figures; "" for none
    cut: str  # "-3 dB", `AT_CAP`, or "" for none
    sentence: tuple[str, ...]  # parts; the first is the message in plain words, always shown
    more: tuple[Aside, ...] = ()  # further parts, as many as fit
    pull: str = ""  # of a ring: "pull 2.5 kHz -3 dB", as it stands in the sentence

    def message(self, cells: int, ellipsis: str = "…") -> str:
        """Return the message in plain words in at most `cells` cells.

        How bad it is and what to pull are kept to the last: first the mix is cut short, then the
        channel's name, then the name and the verb are left out.
        """
        kept = f"{self.state} {self.head}: {self.pull}"
        is_kept = cell_len(kept) + len(ellipsis) <= cells or cell_len(self.sentence[0]) <= cells
        if is_kept or not self.pull:
            return cut_to(self.sentence[0], cells, ellipsis)
        room = cells - cell_len(f"{self.state} : {self.pull}")
        if room >= FEWEST_OF_NAME:
            return f"{self.state} {cut_to(self.head, room, ellipsis)}: {self.pull}"
        bare = f"{self.state} {self.pull}"
        short = bare if cell_len(bare) <= cells else f"{self.state} {self.band} {self.cut}".rstrip()
        return cut_to(short, cells, ellipsis)


def panel_of(view: View, now_s: float) -> Panel:
    """Choose the message."""
    fault = _fault(view, now_s)
    is_deaf = fault is not None and fault.head in ("NO NEWS", "NO INPUT", "LOST")
    if view.focus is not None and not is_deaf:
        return _ring_panel(view, view.focus)
    if fault is not None:
        return fault
    if view.held:
        return _held_panel(view, view.held[0], now_s)
    if view.alerts:
        return _quieted_panel(view)
    return _calm_panel(view, now_s)


def _fault(view: View, now_s: float) -> Panel | None:
    """Return what keeps the watch from hearing, if anything does."""
    snapshot = view.snapshot
    if view.lost:
        return Panel(4, "LOST", "", "", "", (f"LOST: {view.lost}",), _others(view, None))
    if snapshot is None or view.heard_s is None:
        return Panel(0, "STARTING", "", "", "", ("Waiting for the first audio.",))
    age_s = now_s - view.heard_s
    source = snapshot.health.source
    if source.state == "ended":
        return Panel(
            0, "ENDED", "", "", "", ("The audio has come to its end.", clean(source.detail))
        )
    if age_s > STALE_S:
        text = f"NO NEWS from the audio for {age_s:.0f} s: nothing is being watched"
        return Panel(4, "NO NEWS", "", "", "", (text,), _others(view, None))
    if source.state != "running":
        text = clean(source.detail) or "nothing is being watched"
        said = (f"NO INPUT, {source.state}: {text}",)
        return Panel(4, "NO INPUT", "", "", "", said, _others(view, None))
    return None


def _ring_panel(view: View, ring: RingEvent) -> Panel:
    name, state = view.name_of(ring), str(ring.state).upper()
    cut = _cut(ring)
    verb = "pull" if ring.is_alarm else "watch"
    verb = "send down," if cut == AT_CAP else verb
    pull = f"{verb} {band_and_cut(ring)}"
    since = "" if ring.onset_s is None else f"since {clock_words(ring.onset_s)}"
    growth = "" if ring.growth_db_per_s is None else f" {ring.growth_db_per_s:+.0f} dB/s"
    figures = (
        sheet_words(ring),
        frequency_words(ring.frequency_hz),
        f"{ring.level_dbfs:.0f} dBFS{growth} at {clock_words(ring.time_s)}",
        margin_words(ring.margin_db),
        since,
    )
    return Panel(
        BADNESS[ring.state],
        name,
        state,
        band_words(ring.band_hz),
        cut,
        (
            f"{state} {name}: {pull}{mix_words(ring)}",
            progress_words(ring, view.time_s),
            *loop_words(ring),
            heard_words(view.heard_on(ring)),
            *figures,
        ),
        _others(view, ring),
        pull,
    )


def _cut(ring: RingEvent) -> str:
    """Return what to pull; nothing of a suspect, which is only to be watched."""
    if not ring.is_alarm:
        return ""
    return AT_CAP if ring.sheet_at_cap else cut_words(ring.cut_db)


def _held_panel(view: View, held: Held, now_s: float) -> Panel:
    worst = held.worst
    name, age = view.name_of(worst), age_words(max(0.0, now_s - held.cleared_at_s))
    text = f"Cleared {age}: was {band_words(worst.band_hz)} on {name}{mix_words(worst, ' / ')}"
    word = f"had been {worst.state}"
    band, cut = band_words(worst.band_hz), _cut(worst)
    advice = f"{cut} was advised" if cut not in ("", AT_CAP) else ""
    return Panel(0, name, "CLEARED", band, cut, (text, word, advice), _others(view, None))


def _quieted_panel(view: View) -> Panel:
    rows = tuple(_short(view, ring) for ring in view.alerts)
    first, rest = rows[0].text, rows[1:]
    is_held = any(ring.id not in view.quieted for ring in view.alerts)
    text = f"{len(rows)} acknowledged{' or held' if is_held else ''}: {first}"
    return Panel(0, "NOTED", "", "", "", (text,), (ALSO, *rest) if rest else ())


def _calm_panel(view: View, now_s: float) -> Panel:
    snapshot = view.snapshot
    assert snapshot is not None  # `_fault` has seen to it
    loudest = int(snapshot.level_dbfs.argmax()) if snapshot.level_dbfs.size else -1
    level = float(snapshot.level_dbfs[loudest]) if loudest >= 0 else SILENT_DBFS
    rings = [event for event in view.log if isinstance(event, RingEvent)]
    alarms = (f"last alarm {_logged(view, event)}" for event in rings if event.is_alarm)
    last = Aside(next(alarms, ""))
    if not level > SILENT_DBFS:
        return Panel(0, "NO SIGNAL", "", "", "", ("Every channel is silent.",), (last,))
    text = f"No ring. Loudest: {view.names[loudest]} at {level:.0f} dBFS"
    return Panel(0, "ALL CALM", "", "", "", (text, _nearest(view, snapshot)), (last,))


def _nearest(view: View, snapshot: Snapshot) -> str:
    """Return the band that is nearest to an alarm, where one is worth a look."""
    if not snapshot.suspicion.size or float(snapshot.suspicion.max()) < NEAR:
        return ""
    row, band = divmod(int(snapshot.suspicion.argmax()), snapshot.suspicion.shape[1])
    share = 100 * float(snapshot.suspicion[row, band])
    return f"nearest: {band_words(NOMINAL_HZ[band])} on {view.names[row]}, {share:.0f} %"


def _others(view: View, shown: RingEvent | None) -> tuple[Aside, ...]:
    """Return every other living alert and what has just cleared, for the line below."""
    rest = [ring for ring in view.alerts if shown is None or ring.id != shown.id]
    parts = [_short(view, ring) for ring in rest]
    if shown is not None:
        parts += [
            Aside(view.name_of(held.worst), f"{band_words(held.worst.band_hz)} cleared")
            for held in view.held
            if held.worst.is_alarm
        ]
    return (ALSO, *parts) if parts else ()


def _short(view: View, ring: RingEvent) -> Aside:
    mark = " (noted)" if ring.id in view.quieted else ""
    mark = " (held)" if ring.concerns(view.held_channels) else mark
    return Aside(view.name_of(ring), f"{ring.state} {band_and_cut(ring)}{mark}")


def _logged(view: View, event: RingEvent) -> str:
    return f"{clock_words(event.time_s)} {view.name_of(event)} {band_and_cut(event)}"
