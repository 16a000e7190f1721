"""Fader names as engineers say them: `2.5k`, `2k5`, `63`, `31`, `just below 2 k`."""

import re

from prehowl.detectors.bands import NOMINAL_HZ, band_index, band_label, edges_hz

LOWEST_IN_HZ = 20.0
"""A bare number below this means kilohertz: nobody has a 4 Hz fader, everybody has one at 4 k."""
BESIDE = {"below": -1, "under": -1, "above": 1, "over": 1}

_NUMBER = re.compile(
    r"(?P<whole>\d+)(?:[.,](?P<part>\d+))?\s*(?P<unit>k(?P<after>\d+)?)?(?:\s*(?:hz|hertz))?"
)
_BESIDE = re.compile(r"(?:just\s+|one\s+)?(?P<side>below|under|above|over)\s+(?P<rest>.+)")


def band_from_words(text: str) -> int:
    """Return the index (0..30) of the fader that a spoken name means.

    A number means the band that holds that frequency, so `6k` is 6.3 kHz, `31` is 31.5 Hz, `3k`
    is 3.15 kHz and a measured `2513` is 2.5 kHz. A bare number below 20 means kilohertz. `2k5` is
    2.5 kHz; a comma is as good as a point. `just below 2k` is the next fader down, `just above`
    the next one up.

    Raises
    ------
    ValueError
        If it names no fader; the message says what would.

    Notes
    -----
    Source: common practice, no source.
    """
    plain = " ".join(text.casefold().replace("kilo", "k").split())
    beside = _BESIDE.fullmatch(plain)
    if beside:
        band = band_from_words(beside["rest"]) + BESIDE[beside["side"]]
        if not 0 <= band < len(NOMINAL_HZ):
            raise ValueError(f"{text!r}: there is no fader beyond {band_label(_last(band))}")
        return band
    match = _NUMBER.fullmatch(plain)
    if match is None or (match["part"] and match["after"]):
        raise ValueError(f"{text!r} names no fader; write it as 63, 31.5, 250, 2.5k, 2k5 or 12.5k")
    frequency = _frequency(match)
    if not edges_hz()[0] <= frequency < edges_hz()[-1]:
        raise ValueError(f"{text!r} lies outside the faders, 20 Hz to 20 kHz")
    return int(band_index(frequency))


def _frequency(match: re.Match[str]) -> float:
    number = float(f"{match['whole']}.{match['part'] or match['after'] or 0}")
    is_bare_kilo = match["unit"] is None and number < LOWEST_IN_HZ and "h" not in match[0]
    return number * 1000 if match["unit"] or is_bare_kilo else number


def _last(band: int) -> float:
    return NOMINAL_HZ[0 if band < 0 else -1]
