"""What ring-outs through the whole command share: a folder of their own, a quiet recording."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

RATE_HZ = 48000
SECONDS = 3


@pytest.fixture
def own_data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep journals and sheets in a folder of the test's own, and begin there."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def recording(tmp_path: Path) -> str:
    """Return a recording of noise, in which nothing rings."""
    noise = 1e-3 * np.random.default_rng(3).standard_normal(SECONDS * RATE_HZ)
    path = tmp_path / "quiet.wav"
    soundfile.write(path, noise.astype(np.float32), RATE_HZ, subtype="FLOAT")
    return str(path)
