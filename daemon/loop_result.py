"""What one run of the loop came to."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LoopResult:
    """What one run came to."""

    samples: int  # per channel, lost ones included
    duration_s: float
    events: int
    alarms_by_channel: dict[int, int]  # by channel number; each howl once, see `RingsNow.take`
    lost_samples: int = 0
    bad_samples: int = 0  # NaN, infinite or absurd, over all channels
    was_stopped: bool = False  # by the stop flag, before the source's end

    @property
    def alarms(self) -> int:
        """Number of alarms on all channels."""
        return sum(self.alarms_by_channel.values())
