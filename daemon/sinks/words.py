"""Figures in the words of the desk: frequencies, bands, times and what to pull."""

from prehowl.daemon.events import RingEvent
from prehowl.detectors.rings import RingState


def frequency_words(frequency_hz: float) -> str:
    """Return a frequency as one reads it off an equaliser: '63 Hz', '2513 Hz', '12.5 kHz'."""
    if frequency_hz >= 9999.5:
        return f"{frequency_hz / 1000:.2f}".rstrip("0").rstrip(".") + " kHz"
    return f"{frequency_hz:.0f} Hz"


def band_words(band_hz: float) -> str:
    """Return a graphic-equaliser band as on its fader: '31.5 Hz', '250 Hz', '2.5 kHz'."""
    return f"{band_hz / 1000:g} kHz" if band_hz >= 1000 else f"{band_hz:g} Hz"


def time_words(time_s: float) -> str:
    """Return a position as m:ss.s, from an hour on as h:mm:ss.s."""
    tenths = int(time_s * 10 + 1e-6)  # cut, not rounded: 59.96 s is not yet a minute
    minutes, tenths = divmod(tenths, 600)
    hours, minutes = divmod(minutes, 60)
    seconds = f"{tenths // 10:02d}.{tenths % 10}"
    return f"{hours}:{minutes:02d}:{seconds}" if hours else f"{minutes}:{seconds}"


def advice_words(event: RingEvent) -> str:
    """Return what to do about an event: 'pull 2.5 kHz by 3 dB', 'watch 400 Hz', '400 Hz calm'.

    A band whose fader is at its cap already has no more to give: 'send down (2.5 kHz cap)'.
    """
    band = band_words(event.band_hz)
    if event.state is RingState.CLEARED:
        return f"{band} calm"
    if event.state is RingState.SUSPECT:
        return f"watch {band}"
    if event.sheet_at_cap:
        return f"send down ({band} cap)"
    return f"pull {band}" if event.cut_db is None else f"pull {band} by {event.cut_db:g} dB"


def counted(count: int, thing: str) -> str:
    """Return a count with its thing, which takes an s in the plural: '1 alarm', '0 samples'."""
    return f"{count} {thing}{'s' * (count != 1)}"


def printable(text: str) -> str:
    """Return the text on one line: control characters and line separators become '?'."""
    return "".join(mark if mark.isprintable() else "?" for mark in text)
