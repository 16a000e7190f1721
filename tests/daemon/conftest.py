"""Fixtures that several test modules of the daemon share."""

from pathlib import Path

import pytest
from audio_rig import AudioDouble


@pytest.fixture
def double(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AudioDouble:
    """Give the double of the audio library to every process that starts from now on."""
    double = AudioDouble(tmp_path)
    for name, value in double.environment.items():
        monkeypatch.setenv(name, value)
    return double
