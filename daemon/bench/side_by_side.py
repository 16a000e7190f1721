"""Several mono sounds as the channels of one engine."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


def side_by_side(sounds: Sequence[NDArray[np.float32]]) -> NDArray[np.float32]:
    """Return mono sounds as an array of shape (samples, sounds); shorter ones end in silence."""
    together = np.zeros((max(len(sound) for sound in sounds), len(sounds)), np.float32)
    for number, sound in enumerate(sounds):
        together[: len(sound), number] = sound
    return together
