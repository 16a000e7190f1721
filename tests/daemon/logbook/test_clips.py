"""Audio from before an alarm: kept to the sample, encoded without loss, its spectrum right."""

import io

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from prehowl.daemon.logbook.clips import (
    FLOOR_DBFS,
    FULL,
    AudioMemory,
    RawClip,
    RawSpectrum,
    spectrum_length,
)


@given(st.lists(st.integers(0, 70), max_size=20), st.integers(1, 50), st.data())
def test_the_memory_is_the_stream_whatever_the_pieces(lengths, kept, data):
    """Oracle: slow reference. Cuts equal slices of the whole stream, as far as it is kept."""
    rng = np.random.default_rng(1)
    pieces = [rng.uniform(-1, 1, (length, 3)).astype(np.float32) for length in lengths]
    memory = AudioMemory(3, kept)
    for piece in pieces:
        memory.feed(piece)
    whole = np.concatenate([np.zeros((0, 3), np.float32), *pieces])
    assert memory.fed == len(whole)
    ch = data.draw(st.integers(0, 2))
    first = data.draw(st.integers(0, len(whole)))
    end = data.draw(st.integers(0, len(whole) + 5))
    expected = whole[max(first, len(whole) - kept) : max(end, 0), ch]
    np.testing.assert_array_equal(memory.cut(ch, first, end), (expected * FULL).astype(np.int16))


def test_too_loud_samples_are_clipped_not_wrapped():
    """Oracle: definition. +6 dBFS is full scale of its sign, never the other sign."""
    memory = AudioMemory(1, 4)
    memory.feed(np.array([[2.0], [-2.0], [1e6], [0.5]], np.float32))
    assert memory.cut(0, 0, 4).tolist() == [FULL, -FULL, FULL, int(0.5 * FULL)]


def test_a_clip_is_what_was_played():
    """Oracle: libsndfile reads FLAC back; FLAC is lossless (RFC 9639)."""
    samples = np.random.default_rng(2).integers(-9000, 9000, 4800).astype(np.int16)
    clip = RawClip(7, 3, 12.5, 1200, 48000, samples).encoded()
    back, rate_hz = soundfile.read(io.BytesIO(clip.flac), dtype="int16")
    np.testing.assert_array_equal(back, samples)
    assert (rate_hz, clip.alarm_at_s, clip.ring, clip.channel) == (48000, 0.025, 7, 3)


@pytest.mark.parametrize("level_dbfs", [0.0, -20.0, -60.0])
@pytest.mark.parametrize("bin_number", [50, 429])
def test_a_sine_reads_its_level_at_its_bin(level_dbfs, bin_number):
    """Oracle: closed form. A sine on a bin under a Hann window: its level there, 6.02 dB less in
    the bins beside, far less beyond (Harris 1978, from memory)."""
    count = spectrum_length(48000)
    sine = 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * bin_number * np.arange(count) / count)
    spectrum = RawSpectrum(1, 1, 0.0, 48000, np.round(sine * FULL).astype(np.int16)).measured()
    level = np.array(spectrum.level_dbfs)
    assert spectrum.bin_hz == pytest.approx(48000 / count)
    assert level.argmax() == bin_number
    assert level[bin_number] == pytest.approx(level_dbfs, abs=0.02)
    assert level[bin_number + 1] == pytest.approx(level_dbfs - 6.02, abs=0.05)
    assert level[bin_number + 40 :].max() < level_dbfs - 35


def test_silence_has_a_floor():
    """Oracle: definition. No logarithm of nothing."""
    quiet = RawSpectrum(1, 1, 0.0, 48000, np.zeros(8192, np.int16)).measured()
    assert set(quiet.level_dbfs) == {FLOOR_DBFS}


@pytest.mark.parametrize(("rate_hz", "length"), [(44100, 8192), (48000, 8192), (96000, 16384)])
def test_the_spectrum_takes_the_same_time_at_every_rate(rate_hz, length):
    """Oracle: by hand. The power of two nearest to 0.17 s, on a logarithmic scale."""
    assert spectrum_length(rate_hz) == length
