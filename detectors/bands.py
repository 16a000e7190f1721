"""The 31 bands of a graphic equaliser: names after ISO 266, limits after IEC 61260-1.

Nominal centres are labels only; limits come from the exact base-ten centres
f_m = 1000 * 10^(x / 10), f_m * 10^(-1/20) and f_m * 10^(1/20).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

NOMINAL_HZ: tuple[float, ...] = (
    20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000,
    1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000,
)  # fmt: skip
"""ISO 266:1997, R10 series, 20 Hz to 20 kHz."""

LOWEST_INDEX = -17
"""x of the 20 Hz band in f_m = 1000 * 10^(x / 10)."""


def exact_centres_hz() -> NDArray[np.float64]:
    """Return the 31 exact mid-band frequencies (IEC 61260-1:2014, base ten, b = 3)."""
    return np.asarray(1000 * 10 ** (np.arange(LOWEST_INDEX, LOWEST_INDEX + 31) / 10))


def edges_hz() -> NDArray[np.float64]:
    """Return the 32 band limits; band i reaches from edge i up to edge i + 1."""
    return np.asarray(1000 * 10 ** ((np.arange(LOWEST_INDEX, LOWEST_INDEX + 32) - 0.5) / 10))


def band_index(frequency_hz: ArrayLike) -> NDArray[np.intp]:
    """Return the index (0..30) of the band that holds each frequency.

    Frequencies beyond the outermost limits belong to the outermost bands: a fader there is the
    best that a graphic equaliser offers.

    Raises
    ------
    ValueError
        If a frequency is not above zero.
    """
    frequency = np.asarray(frequency_hz, np.float64)
    if not (frequency > 0).all():
        raise ValueError(f"a frequency must be above 0 Hz, found {frequency.min()!r}")
    x = np.floor(10 * np.log10(frequency / 1000) + 0.5).astype(np.intp)
    return np.clip(x - LOWEST_INDEX, 0, 30)


def nominal_hz(frequency_hz: float) -> float:
    """Return the name of the band, for example 2500 for 2513.4 Hz."""
    return NOMINAL_HZ[int(band_index(frequency_hz))]


def band_label(nominal: float) -> str:
    """Return a band's name as it stands on a fader: `63 Hz`, `2.5 kHz`, `31.5 Hz`."""
    return f"{nominal / 1000:g} kHz" if nominal >= 1000 else f"{nominal:g} Hz"


def octaves_off_centre(frequency_hz: float) -> float:
    """Return how far a frequency lies above (below: negative) its band's exact centre."""
    centre = exact_centres_hz()[int(band_index(frequency_hz))]
    return float(np.log2(frequency_hz / centre))


def share_of(cents: float) -> float:
    """Return how far up so many cents are, as a share of the frequency."""
    return float(2 ** (cents / 1200) - 1)


def cents_apart(a_hz: float, b_hz: float) -> float:
    """Return the distance of two frequencies in cents, >= 0; 1200 are an octave."""
    return abs(1200 * float(np.log2(a_hz / b_hz)))
