"""Sets the double of the audio library in place of the real one, and changes its mind."""

import json
import os
from pathlib import Path
from typing import Any

DOUBLE = Path(__file__).parent / "daemon" / "audio_double"
RATE_HZ = 48000


class AudioDouble:
    """What capture processes started from now on will find."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / "audio.json"
        self._told: dict[str, Any] = {
            "devices": [["Built-in line", 2], ["Stage box A", 8], ["Stage box B", 4], ["Out", 0]],
            "rate_hz": RATE_HZ,
            "mode": "play",
        }
        self.tell()

    @property
    def environment(self) -> dict[str, str]:
        """Return the variables that lead to the double."""
        places = os.pathsep.join(filter(None, (str(DOUBLE), os.environ.get("PYTHONPATH"))))
        return {"PYTHONPATH": places, "AUDIO_DOUBLE": str(self._path)}

    def tell(self, **values: Any) -> None:
        """Change how the library behaves, also under a running stream."""
        self._told |= values
        fresh = self._path.with_suffix(".new")
        fresh.write_text(json.dumps(self._told))
        os.replace(fresh, self._path)  # at once: the other process reads it all the time
