"""Which frames the engine looks at: the four designs of a resolution."""

from dataclasses import dataclass

SLOW_STEP = 4
"""The slow memory keeps every fourth frame: of those, one begins where the other ends."""


@dataclass(frozen=True, slots=True)
class Design:
    """What makes a resolution; lengths in quanta (about 10.7 ms), steps in frames."""

    name: str
    frame_quanta: float
    hop_quanta: float
    low_hz: float
    high_hz: float
    steps: tuple[int, ...]  # from look to look, for each span looked back over
    slow_steps: tuple[int, ...]  # the same in the slow memory; none: no such memory
    every: int = 1  # ticks at which a frame ends, from one that is judged to the next
    lingers_hz: tuple[float, float] | None = None  # where lingering lines are looked for
    survey_step: int = 1  # slow frames from one look for them to the next
    survey_at: int = 0  # at which of them: two resolutions shall not look on the same tick
    standing_tones: bool = False  # whether tones that stand are looked for


# Brief and short are judged when main is, all in one go: a second go between them, for short
# alone, costs a tenth of the whole and finds nothing sooner (docs/detection-figures.md).
DESIGNS = (
    # Low notes lie a few hertz apart and loops grow slowly there.
    Design(
        "long",
        16,
        4,
        45,
        420,
        (1, 2),
        (1, 2),
        lingers_hz=(90, 400),
        survey_step=4,
        survey_at=2,
    ),
    Design(
        "main",
        8,
        2,
        55,
        18_000,
        (1, 2, 4),
        (2, 4),
        lingers_hz=(400, 18_000),
        survey_step=8,
        standing_tones=True,
    ),
    Design("brief", 4, 1, 150, 18_000, (1, 2), (), every=2),
    # A ring of 400 dB/s at 8 kHz is over within two main frames.
    Design("short", 2, 0.5, 300, 18_000, (1, 2), (), every=2),
)
