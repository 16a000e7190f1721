"""What a mapping's templates can speak of: the fields of one ring, by name."""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from prehowl.daemon.alerts_now import BADNESS
from prehowl.daemon.events import RingEvent
from prehowl.daemon.sinks.osc_messages import NOTHING, label
from prehowl.daemon.sinks.words import advice_words, band_words

Figure = int | float | None


@dataclass(frozen=True, slots=True)
class Told:
    """One ring as a template sees it."""

    event: RingEvent
    kind: str = "mic"  # of its channel
    show: str = ""  # title of the show
    count: int = 0  # rings that the mapping holds now, this one included unless it has left
    has_left: bool = False  # the message is a mapping's `leave`


def _named(told: Told, which: str) -> str:
    return getattr(told.event.alert, which, None) or NOTHING


NUMBERS: Mapping[str, tuple[str, Callable[[Told], Figure]]] = MappingProxyType(
    {
        "id": (
            "number of the ring, or of the howl where those count once",
            lambda told: told.event.id,
        ),
        "channel": ("channel number", lambda told: told.event.channel),
        "alert": ("number of the howl, the same on all channels", lambda told: told.event.alert_id),
        "state_number": (
            "0 cleared, 1 suspect, 2 ringing, 3 howling",
            lambda told: BADNESS.get(told.event.state, 0),
        ),
        "alarm": (
            "1 while ringing or howling, else 0; 0 in every `leave`",
            lambda told: int(told.event.is_alarm and not told.has_left),
        ),
        "time_s": ("stream time, s", lambda told: told.event.record()["time_s"]),
        "onset_s": ("when it began, s", lambda told: told.event.record()["onset_s"]),
        "frequency_hz": ("Hz", lambda told: told.event.record()["frequency_hz"]),
        "band_hz": ("nominal band, Hz", lambda told: told.event.record()["band_hz"]),
        "level_dbfs": ("dBFS", lambda told: told.event.record()["level_dbfs"]),
        "growth_db_per_s": ("dB/s", lambda told: told.event.record()["growth_db_per_s"]),
        "margin_db": ("dB", lambda told: told.event.record()["margin_db"]),
        "cut_db": ("dB to pull, above 0", lambda told: told.event.record()["cut_db"]),
        "count": ("rings that this mapping holds now", lambda told: told.count),
    }
)
"""Fields that are figures: meaning, and how to get them; None where not known yet."""

WHOLE = frozenset({"id", "channel", "alert", "state_number", "alarm", "count"})
"""Figures that are whole numbers, always; `band_hz` is one in most bands, the others never."""

TEXTS: Mapping[str, tuple[str, Callable[[Told], str]]] = MappingProxyType(
    {
        "channel_name": ("what the channel is called", lambda told: told.event.channel_name),
        "kind": ("mic, mix or reference", lambda told: told.kind),
        "mic": ("the howl's microphone, or `-`", lambda told: _named(told, "mic")),
        "mix": ("the mix that feeds its wedge, or `-`", lambda told: _named(told, "mix")),
        "wedge": ("the wedge, or `-`", lambda told: _named(told, "wedge")),
        "state": ("suspect, ringing, howling, cleared", lambda told: str(told.event.state)),
        "band": ("the fader's name, `2.5 kHz`", lambda told: band_words(told.event.band_hz)),
        "label": ("what to pull, `2.5 kHz -3 dB`", lambda told: label(told.event)),
        "advice": ("`pull 2.5 kHz by 3 dB`", lambda told: advice_words(told.event)),
        "act": ("who is on", lambda told: told.event.act or NOTHING),
        "show": ("title of the show", lambda told: told.show or NOTHING),
    }
)
"""Fields that are text."""

IN_ADDRESS = ("channel", "channel_name", "kind", "state", "state_number", "band_hz")
"""Fields that an address may hold: few different values, so that the rate limit, which goes by the
address, can hold back a storm."""


@dataclass(frozen=True, slots=True)
class Known:
    """What a mapper knows besides the rings."""

    kinds: Mapping[int, str] = field(default_factory=dict)  # channel number -> kind
    show: str = ""

    def is_of(self, kinds: Collection[str], channel: int) -> bool:
        """Tell whether a channel is of one of the kinds."""
        return self.kinds.get(channel, "mic") in kinds

    def tell(self, event: RingEvent, count: int, *, has_left: bool = False) -> Told:
        """Return the ring with what belongs to it."""
        return Told(event, self.kinds.get(event.channel, "mic"), self.show, count, has_left)
