"""Recordings: every format the same samples, damage said in one line, memory bounded."""

import struct
import tracemalloc

import numpy as np
import pytest
import soundfile
from conformance import SourceConformance

from prehowl.daemon.channel_list import channel_words, named_channels, parse_channel_list
from prehowl.daemon.errors import RecordingError, UsageError
from prehowl.daemon.sources.recording import RecordingSource

RATE = 48000


@pytest.fixture
def noise():
    """Half a second of three different channels on the 24-bit grid, below full scale."""
    whole = np.random.default_rng(5).integers(-(1 << 22), 1 << 22, (RATE // 2, 3))
    return (whole / (1 << 23)).astype(np.float32)


def write(path, samples, rate_hz=RATE, **how):
    """Write a recording and return its path."""
    soundfile.write(path, samples, rate_hz, **how)
    return path


def read_all(source):
    """Return all samples of a source and close it."""
    blocks = list(iter(source.read, None))
    source.close()
    return np.concatenate([block.samples for block in blocks])


class TestRecordingConformance(SourceConformance):
    """A recording keeps the promises of a source."""

    def make(self, tmp_path):
        return RecordingSource(write(tmp_path / "a.wav", np.full((RATE, 2), 0.1)))


@pytest.mark.parametrize(
    ("name", "how"),
    [
        ("a.wav", {"subtype": "PCM_24"}),
        ("float.wav", {"subtype": "FLOAT"}),
        ("a.rf64", {"format": "RF64", "subtype": "PCM_24"}),
        ("a.w64", {"format": "W64", "subtype": "PCM_24"}),
        ("a.flac", {"subtype": "PCM_24"}),
        ("a.aiff", {"subtype": "PCM_24"}),
    ],
)
def test_lossless_formats_give_the_written_samples(tmp_path, noise, name, how):
    """24 bit and float come back exactly; oracle: the samples on a 24-bit grid themselves."""
    source = RecordingSource(write(tmp_path / name, noise, **how))
    assert (source.rate_hz, source.channels, source.duration_s) == (RATE, 3, 0.5)
    np.testing.assert_array_equal(read_all(source), noise)


def test_ogg_gives_the_tone_at_its_level(tmp_path):
    """A lossy format keeps a 1 kHz tone of amplitude 0.5; oracle: RMS 0.5/sqrt(2) within 2 %."""
    tone = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(RATE) / RATE)
    heard = read_all(RecordingSource(write(tmp_path / "a.ogg", tone)))
    assert np.sqrt(np.mean(heard[4800:-4800] ** 2)) == pytest.approx(0.5 / np.sqrt(2), rel=0.02)


@pytest.mark.parametrize("rate_hz", [8000, 22050, 44100, 88200, 96000, 192000])
def test_the_rate_is_the_file_s(tmp_path, rate_hz):
    """Every rate is handed on as it is, with blocks of a quarter second."""
    source = RecordingSource(write(tmp_path / "a.wav", np.zeros(rate_hz), rate_hz))
    assert source.rate_hz == rate_hz
    assert len(source.read().samples) == rate_hz // 4
    source.close()


def test_chosen_channels_come_in_the_order_wanted(tmp_path, noise):
    """Channels 3 and 1 give columns 2 and 0, and keep their numbers and names."""
    source = RecordingSource(write(tmp_path / "a.wav", noise, subtype="PCM_24"), channels=(3, 1))
    assert source.channel_numbers == (3, 1)
    assert source.names == ("Ch 3", "Ch 1")
    assert source.file_channels == 3
    np.testing.assert_array_equal(read_all(source), noise[:, [2, 0]])


def test_swapped_channels_are_swapped_also_when_all_are_taken(tmp_path, noise):
    """All three in another order are not the file's order."""
    path = write(tmp_path / "a.wav", noise, subtype="PCM_24")
    np.testing.assert_array_equal(
        read_all(RecordingSource(path, channels=(2, 3, 1))), noise[:, [1, 2, 0]]
    )


def test_a_channel_the_file_lacks_is_a_usage_error(tmp_path, noise):
    """The message tells how many there are and which were wrong."""
    path = write(tmp_path / "a.wav", noise)
    with pytest.raises(UsageError, match=r"has 3 channels, so there is no channel 4-5, 9"):
        RecordingSource(path, channels=(1, 4, 5, 9))


def test_a_long_recording_is_never_whole_in_memory(tmp_path):
    """32 channels for 30 s are 184 MB of float32; reading them takes under 20 MB."""
    path = tmp_path / "long.wav"
    with soundfile.SoundFile(path, "w", RATE, 32, "PCM_16") as file:
        for _ in range(30):
            file.write(np.zeros((RATE, 32), np.int16))
    tracemalloc.start()
    source = RecordingSource(path)
    total = sum(len(block.samples) for block in iter(source.read, None))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    source.close()
    assert total == 30 * RATE
    assert peak < 20e6


def header(channels=1, data_bytes=0, rate_hz=RATE):
    """Return a hand-made WAV header (RIFF, 16-bit PCM) that promises `data_bytes`."""
    fmt = struct.pack("<HHIIHH", 1, channels, rate_hz, rate_hz * 2 * channels, 2 * channels, 16)
    return (
        b"RIFF" + struct.pack("<I", 36 + data_bytes) + b"WAVE"
        b"fmt " + struct.pack("<I", 16) + fmt + b"data" + struct.pack("<I", data_bytes)
    )


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "the file is empty"),
        (b"dear diary" * 100, "no audio that can be read"),
        (header()[:30], "no audio that can be read"),
        (header(channels=0, data_bytes=100) + bytes(100), "Channel count is zero"),
        (header(), "holds no samples"),
    ],
    ids=["empty", "not audio", "half a header", "zero channels", "no samples"],
)
def test_files_without_audio_are_refused_in_one_line(tmp_path, content, said):
    """Each kind of useless file has its own plain reason, after the file's name."""
    path = tmp_path / "take 1.wav"
    path.write_bytes(content)
    with pytest.raises(RecordingError, match=said) as caught:
        RecordingSource(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert "\n" not in str(caught.value)


def test_missing_files_and_folders_are_refused(tmp_path):
    """The system's reason is passed on; a folder is named as one; a bad name is no traceback."""
    with pytest.raises(RecordingError, match="No such file"):
        RecordingSource(tmp_path / "absent.wav")
    with pytest.raises(RecordingError, match="is a folder"):
        RecordingSource(tmp_path)
    with pytest.raises(RecordingError, match="cannot be read"):
        RecordingSource("a\0b.wav")
    with pytest.raises(RecordingError, match="pipe or device"):
        RecordingSource("/dev/null")
    (tmp_path / "a.raw").write_bytes(bytes(100))
    with pytest.raises(RecordingError, match="no audio"):
        RecordingSource(tmp_path / "a.raw")


@pytest.mark.parametrize(
    ("name", "how"),
    [
        ("a.wav", {"subtype": "PCM_24"}),
        ("a.rf64", {"format": "RF64", "subtype": "PCM_24"}),
        ("a.w64", {"format": "W64", "subtype": "PCM_24"}),
        ("a.aiff", {"subtype": "PCM_24"}),
        ("a.flac", {"subtype": "PCM_24"}),
    ],
)
def test_a_truncated_recording_is_used_as_far_as_it_goes(tmp_path, noise, name, how):
    """What is there comes out as written, one warning tells of the rest; nothing is invented."""
    noise = np.tile(noise, (4, 1))
    path = write(tmp_path / name, noise, **how)
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * 0.6)])
    source = RecordingSource(path)
    heard = read_all(source)
    assert 0.5 * len(noise) < len(heard) < 0.62 * len(noise)
    np.testing.assert_array_equal(heard, noise[: len(heard)])
    assert len(source.warnings) == 1
    assert str(path) in source.warnings[0]
    assert "what is there is used" in source.warnings[0]


def test_a_truncated_ogg_is_used_as_far_as_it_goes(tmp_path):
    """OGG marks its last page; without that mark a warning tells that the end is missing."""
    path = write(tmp_path / "a.ogg", np.random.default_rng(1).normal(0, 0.1, 4 * RATE))
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * 0.6)])
    source = RecordingSource(path)
    assert RATE < len(read_all(source)) < 3 * RATE
    assert "no proper end" in source.warnings[0]


def test_a_file_that_shrinks_while_it_is_read_is_said(tmp_path):
    """Half of the audio vanishes under the reader: the rest is used, one warning tells."""
    path = write(tmp_path / "a.wav", np.full(4 * RATE, 0.25))
    source = RecordingSource(path)
    source.read()
    with path.open("r+b") as file:
        file.truncate(44 + 2 * RATE * 2)
    read_all(source)
    assert "ends after 2.0 s, its header promises 4.0 s" in source.warnings[0]


def test_a_whole_recording_has_no_warning(tmp_path, noise):
    """No false alarm on sound files, also where a pipe left the size open."""
    for name in ("a.wav", "a.flac", "a.ogg", "a.aiff"):
        source = RecordingSource(write(tmp_path / name, noise))
        read_all(source)
        assert source.warnings == ()
    piped = tmp_path / "piped.wav"
    piped.write_bytes(header(data_bytes=0xFFFFFFFF - 36) + bytes(9600))
    source = RecordingSource(piped)
    assert len(read_all(source)) == 4800
    assert source.warnings == ()


def test_audio_beyond_the_header_is_said(tmp_path):
    """A plain WAV that outgrew its 32-bit size reads short: the engineer must know of the rest."""
    path = tmp_path / "wrapped.wav"
    path.write_bytes(header(data_bytes=9600) + bytes(3_000_000))
    source = RecordingSource(path)
    source.close()
    assert "3 MB more than its header says" in source.warnings[0]
    path.write_bytes(header() + bytes(3_000_000))
    with pytest.raises(RecordingError, match=r"3 MB more .* holds no samples"):
        RecordingSource(path)


@pytest.mark.parametrize(
    ("text", "numbers"),
    [("1", (1,)), ("1,3-5", (1, 3, 4, 5)), (" 8 , 2", (8, 2)), ("7-7", (7,))],
)
def test_channel_lists_are_read_as_typed(text, numbers):
    """Numbers and ranges, in the order given; oracle: by hand."""
    assert parse_channel_list(text) == numbers


@pytest.mark.parametrize("text", ["", "a", "0", "3-1", "1,,2", "1-", "-2", "2,1-3", "1.5", "99999"])
def test_what_is_no_channel_list_is_refused(text):
    """The message repeats the text and shows how to write it."""
    with pytest.raises(UsageError, match="Write them like 1,3-5"):
        parse_channel_list(text)


def test_channel_words_fold_runs():
    """Oracle: by hand."""
    assert channel_words([5, 3, 4, 1]) == "1, 3-5"
    assert named_channels([5, 3, 4, 1]) == "channels 1, 3-5"
    assert named_channels([7]) == "channel 7"
