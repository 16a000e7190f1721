"""What one run of the loop came to."""

from dataclasses import dataclass

from prehowl.daemon.repair import Repair
from prehowl.daemon.rings_now import RingsNow
from prehowl.daemon.stream_time import StreamTime


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


def result_of(
    clock: StreamTime, rings: RingsNow, repair: Repair, *, was_stopped: bool
) -> LoopResult:
    """Return what a run came to that is over."""
    return LoopResult(
        samples=clock.total,
        duration_s=clock.time_s,
        events=rings.events,
        alarms_by_channel=dict(sorted(rings.alarms_by_channel.items())),
        lost_samples=clock.missing,
        bad_samples=repair.bad_samples,
        was_stopped=was_stopped,
    )
