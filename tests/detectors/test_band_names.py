"""Spoken fader names. Oracle, where no other is named: common practice, no source."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prehowl.detectors.band_names import band_from_words
from prehowl.detectors.bands import NOMINAL_HZ, band_index, band_label


@pytest.mark.parametrize(
    ("said", "fader"),
    [
        ("6 k", 6300),
        ("6k", 6300),
        ("4 k", 4000),
        ("10 k", 10_000),
        ("63", 63),
        ("250", 250),
        ("1 k", 1000),
        ("2.5 k", 2500),
        ("2k5", 2500),
        ("2,5k", 2500),
        ("just below 2 k", 1600),
        ("just above 2k", 2500),
        ("one under 250", 200),
        ("31", 31.5),
        ("31.5", 31.5),
        ("3k", 3150),
        ("12k", 12_500),
        ("1k2", 1250),
        ("1k25", 1250),
        ("1.2k", 1250),
        ("1k6", 1600),
        ("6k3", 6300),
        ("300", 315),
        ("4", 4000),
        ("2.5", 2500),
        ("16", 16_000),
        ("12.5", 12_500),
        ("20", 20),
        ("20k", 20_000),
        ("2500 Hz", 2500),
        ("2.5 kHz", 2500),
        ("2.5KHZ", 2500),
        ("2 kilohertz", 2000),
        ("2513.4", 2500),
        ("  800  ", 800),
    ],
)
def test_a_spoken_name_lands_on_the_fader(said, fader):
    """What an engineer calls a band is the fader that they would reach for."""
    assert NOMINAL_HZ[band_from_words(said)] == fader


@pytest.mark.parametrize("nominal", NOMINAL_HZ)
def test_every_fader_answers_to_its_names(nominal):
    """Oracle: ISO 266: the label, the plain number, and k for thousands."""
    band = NOMINAL_HZ.index(nominal)
    names = [band_label(nominal), f"{nominal:g}", f"{nominal:g}Hz"]
    names += [f"{nominal / 1000:g}k"] if nominal >= 1000 else []
    assert [band_from_words(name) for name in names] == [band] * len(names)


@given(st.floats(20, 22_000))
def test_a_measured_frequency_is_its_band(frequency_hz):
    """Oracle: IEC 61260-1, by `bands.band_index`."""
    text = f"{frequency_hz:.3f}"
    assert band_from_words(text) == int(band_index(float(text)))


@pytest.mark.parametrize(
    ("said", "message"),
    [
        ("", "names no fader"),
        ("bass", "names no fader"),
        ("-3", "names no fader"),
        ("2.5k5", "names no fader"),
        ("1e3", "names no fader"),
        ("30k", "outside the faders"),
        ("4 Hz", "outside the faders"),
        ("just below 20", "no fader beyond 20 Hz"),
        ("above 20k", "no fader beyond 20 kHz"),
    ],
)
def test_what_names_no_fader_is_refused(said, message):
    """Oracle: the documented errors."""
    with pytest.raises(ValueError, match=message):
        band_from_words(said)


@given(st.text(max_size=12))
def test_any_text_is_a_fader_or_a_clear_refusal(said):
    """Oracle: property."""
    try:
        told = NOMINAL_HZ[band_from_words(said)]
    except ValueError as fault:
        told = str(fault)
    assert told in NOMINAL_HZ or "fader" in told
