"""Sums over several recordings, for the last line that a person reads."""

import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

from prehowl.daemon.loop import LoopResult
from prehowl.daemon.sinks.words import counted, time_words


@dataclass(slots=True)
class Tally:
    """Recordings, seconds of audio and alarms so far."""

    began_s: float = field(default_factory=time.monotonic)
    recordings: int = 0
    audio_s: float = 0.0
    alarms: Counter[str] = field(default_factory=Counter)  # channel's name -> alarms

    def add(self, result: LoopResult, names: Mapping[int, str]) -> None:
        """Add one recording; `names` by channel number."""
        self.recordings += 1
        self.audio_s += result.duration_s
        self.alarms.update({names[number]: n for number, n in result.alarms_by_channel.items()})

    def summary(self) -> str:
        """Return one line such as '3 alarms (2 on Vox 1, 1 on Ch 4); 5:00.0 of audio, ...'."""
        count = self.alarms.total()
        where = ", ".join(f"{n} on {name}" for name, n in self.alarms.most_common())
        alarms = f"{counted(count, 'alarm')} ({where})" if count else "no alarms"
        files = f" in {self.recordings} recordings" if self.recordings > 1 else ""
        share = self.audio_s / max(time.monotonic() - self.began_s, 1e-3)
        pace = f"{share:.{0 if share >= 10 else 1}f} times real time"
        return f"{alarms}; {time_words(self.audio_s)} of audio{files}, {pace}"
