"""What the screen says of rings, times and names, in words short enough for a glance.

Bands are named as in every other output (`sinks.words`). The limits between the words for growth
are ours: a ring below 3 dB/s either way stands or fades too slowly to be called a rise or a fall.
"""

import unicodedata

from rich.cells import cell_len, set_cell_size

from prehowl.daemon.events import RingEvent
from prehowl.daemon.notes import Note
from prehowl.daemon.sinks.words import band_words
from prehowl.detectors.rings import RingState

FAST_DB_PER_S = 20.0
SLOW_DB_PER_S = 3.0
FADING_DB_PER_S = -60.0
TREND_S = 3.0
FEWEST_OF_NAME = 4
"""Cells below which a piece of a name says nothing and is left out."""
_PLAIN_MARKS = str.maketrans("·…–—‘’“”", "|.--''\"\"")


def trend_words(event: RingEvent) -> str:
    """Return how a ring moves: 'rising fast', 'rising slowly', 'lingering', 'fading', 'holding'.

    An unknown growth gives an empty string: no word is better than a guessed one.
    """
    growth = event.growth_db_per_s
    if event.state is RingState.CLEARED or growth is None:
        return ""
    if growth >= FAST_DB_PER_S:
        return "rising fast"
    if growth >= SLOW_DB_PER_S:
        return "rising slowly"
    if growth <= FADING_DB_PER_S:
        return "fading"
    return "holding" if event.state is RingState.HOWLING else "lingering"


def progress_words(event: RingEvent, time_s: float) -> str:
    """Return the trend while it is news, then how long the ring has been in its state.

    Growth is told once, as a ring enters a state; a while later 'rising' may be long untrue.
    """
    age_s = time_s - event.time_s
    return trend_words(event) if age_s < TREND_S else f"for {age_s:.0f} s"


def cut_words(cut_db: float | None) -> str:
    """Return a cut as it stands on a fader, '-3 dB'; empty where none is known."""
    return "" if cut_db is None else f"-{abs(cut_db):g} dB"


def band_and_cut(event: RingEvent) -> str:
    """Return '2.5 kHz -3 dB', '2.5 kHz at cap', or the band alone where no cut is known.

    A suspect is to be watched, not yet to be pulled: it has its band only, as everywhere else.
    """
    if not event.is_alarm:
        return band_words(event.band_hz)
    if event.sheet_at_cap:
        return f"{band_words(event.band_hz)} at cap"
    return f"{band_words(event.band_hz)} {cut_words(event.cut_db)}".rstrip()


def sheet_words(event: RingEvent) -> str:
    """Return what the channel's EQ sheet says of the ring's band; empty where it says nothing."""
    if event.sheet_cut_db is None:
        return ""
    return f"known weak, {cut_words(event.sheet_cut_db)} on the sheet"


def mix_words(event: RingEvent, joint: str = " on ") -> str:
    """Return ' on Mix 1' where the howl's mix is known and is not the channel that leads."""
    alert = event.alert
    if alert is None or alert.mix is None or alert.mix_channel == alert.channel:
        return ""
    return f"{joint}{clean(alert.mix)}"


def loop_words(event: RingEvent) -> tuple[str, ...]:
    """Return which wedge, and where a mix leads which microphone: what is known of them."""
    alert = event.alert
    if alert is None:
        return ()
    is_told_mic = alert.mic is not None and alert.mic_channel != alert.channel
    mic = f"mic {clean(alert.mic)}" if is_told_mic and alert.mic else ""
    return (mic, clean(alert.wedge) if alert.wedge else "")


def heard_words(channels: int) -> str:
    """Return on how many channels it is heard, where that is not one alone."""
    return f"heard on {channels} channels" if channels > 1 else ""


def hearing_words(event: RingEvent) -> str:
    """Return what stands on the line of a channel that only hears a howl of another one."""
    name = "" if event.alert is None else clean(event.alert.channel_name)
    return f"hears {name} {band_words(event.band_hz)}"


def margin_words(margin_db: float | None) -> str:
    """Return what is left of the loop's margin, in words."""
    if margin_db is None:
        return ""
    if margin_db < 0:
        return f"{-margin_db:.1f} dB over the limit"
    return f"{margin_db:.1f} dB in hand"


def clock_words(time_s: float) -> str:
    """Return stream time as m:ss, from an hour on as h:mm:ss."""
    minutes, seconds = divmod(int(time_s + 1e-6), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"


def note_words(note: Note) -> str:
    """Return what was asked of the watch and what came of it, on one line."""
    refused = "" if note.done else "NOT DONE: "
    return f" {clock_words(note.time_s):>7}  {refused}{clean(note.effect)} (by {clean(note.by)})"


def age_words(age_s: float) -> str:
    """Return 'just now', '4 s ago', from two minutes on '3 min ago'."""
    if age_s < 1:
        return "just now"
    return f"{int(age_s)} s ago" if age_s < 120 else f"{int(age_s // 60)} min ago"


def clean(text: str) -> str:
    """Return text from outside as one line that is safe on a terminal.

    Control characters would move the cursor; format characters and variation selectors (joiners,
    direction marks) have widths on which terminals disagree. Both are left out.
    """
    kept = (mark for mark in unicodedata.normalize("NFC", text) if _is_steady(mark))
    return " ".join("".join(kept).split())


def name_or_number(name: str, channel: int) -> str:
    """Return a channel's name, or 'Ch 3' for a channel without one."""
    return clean(name) or f"Ch {channel}"


def _is_steady(mark: str) -> bool:
    if mark.isspace():
        return True
    selector = "\ufe00" <= mark <= "\ufe0f" or mark == "\u20e3"
    return not selector and unicodedata.category(mark) not in (
        "Cc",
        "Cf",
        "Cs",
        "Co",
        "Cn",
        "Zl",
        "Zp",
    )


def to_ascii(text: str) -> str:
    """Return the text for a terminal that knows ASCII only: accents dropped, the rest as '?'."""
    flat = unicodedata.normalize("NFKD", text.translate(_PLAIN_MARKS))
    bare = "".join(mark for mark in flat if not unicodedata.combining(mark))
    return bare.encode("ascii", "replace").decode("ascii")


def cut_to(text: str, cells: int, ellipsis: str = "…") -> str:
    """Return the text in at most `cells` cells; an ellipsis says that something was cut."""
    if cell_len(text) <= cells:
        return text
    if cells <= len(ellipsis):
        return ellipsis[: max(cells, 0)]
    return set_cell_size(text, cells - len(ellipsis)).rstrip() + ellipsis


def fitted(text: str, cells: int, ellipsis: str = "…") -> str:
    """Return the text in exactly `cells` cells, left-aligned, cut with an ellipsis if need be."""
    text = cut_to(text, cells, ellipsis)
    return text + " " * (cells - cell_len(text))


def name_first(name: str, rest: str, cells: int, ellipsis: str = "…") -> str:
    """Return the name and what is said of it in at most `cells`; the name makes room, then goes."""
    if not rest or cell_len(name) + 1 + cell_len(rest) <= cells:
        return cut_to(f"{name} {rest}".strip(), cells, ellipsis)
    room = cells - cell_len(rest) - 1
    kept = f"{cut_to(name, room, ellipsis)} {rest}" if room >= FEWEST_OF_NAME and name else rest
    return cut_to(kept, cells, ellipsis)


def joined(parts: list[str], cells: int, gap: str = "  ") -> str:
    """Return the parts that fit into `cells`, in order; the first is cut rather than left out."""
    line = cut_to(parts[0], cells) if parts else ""
    for part in parts[1:]:
        if part and cell_len(line) + len(gap) + cell_len(part) <= cells:
            line += gap + part if line else part
    return line
