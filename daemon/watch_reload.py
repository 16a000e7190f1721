"""A show file read again while the watch runs: what is put in force at once, and what is not."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from prehowl.daemon.channel_list import named_channels
from prehowl.daemon.desk.desk import Desk
from prehowl.daemon.desk.running_order import RunningOrder
from prehowl.daemon.engine_swap import ReplaceableEngine
from prehowl.daemon.input_watch import InputWatch
from prehowl.daemon.osc_map.fields import Known
from prehowl.daemon.service.board import StatusBoard
from prehowl.daemon.service.reload import Made
from prehowl.daemon.shedding import Shedder
from prehowl.daemon.shedding_order import steps_for
from prehowl.daemon.show import Show
from prehowl.daemon.show.osc_tables import OscMap, OscTarget
from prehowl.daemon.show.tables import Kind
from prehowl.daemon.show.wiring import wiring_of
from prehowl.daemon.sinks.osc import OscSink, known_of
from prehowl.daemon.watched import Watched
from prehowl.detectors.engine import ChannelSetup, Engine

AT_A_START = ("title", "device", "screen", "logbook", "osc_in")
"""What is only taken at a start: it opens things, or names what has been opened."""


@dataclass(slots=True)
class InForce:
    """The show in force in one watch, and the parts that go by it."""

    show: Show
    watched: Watched
    engine: ReplaceableEngine
    desk: Desk
    osc: OscSink
    inputs: InputWatch
    board: StatusBoard
    shedder: Shedder
    has_screens: bool

    def at_rate(self, rate_hz: int) -> None:
        """Go on with an engine for another rate."""
        self.engine.restart(self.watched.engine(self.show, rate_hz))

    def changed(self, new: Show) -> Made:
        """Return what puts another show in force, and what is to be said of it.

        Only reads; it may run beside the loop. What is returned belongs on the loop's thread.
        """
        old, watched = self.show, self.watched
        names = watched.names(new)
        setups = watched.setups(new)
        stays = _references(setups) == _references(watched.setups(old))
        made = None if stays else watched.engine(new)

        def put_in_force() -> None:
            self.show = new
            self.inputs.take_kinds(watched.kinds(new))
            order = RunningOrder(new.acts, follows_clock=new.order.follow_clock)
            bands, of_acts = new.weak_bands, new.act_weak_bands
            self.desk.take_show(names, order, usual_bands=bands, act_bands=of_acts)
            self._rename(names)
            self._put_in_order(watched.kinds(new))
            if _of_osc(new) != _of_osc(old):
                self.osc.take_show(*_of_osc(new))
            if made is not None:
                self._replace(made)
            else:
                self.engine.set_up(setups)

        parts = ", ".join(_parts(old, new, watched))
        told = f"{parts} in force" if parts else "nothing new to put in force"
        later = f"{_left_for_later(old, new)}{_channels_for_later(old, new, watched)}"
        return put_in_force, f"show file read again: {told}{later}"

    def _replace(self, made: Engine) -> None:
        is_late = made.rate_hz != self.watched.source.rate_hz  # it has changed meanwhile
        self.engine.replace(self.watched.engine(self.show) if is_late else made)

    def _put_in_order(self, kinds: Sequence[Kind]) -> None:
        """Let what is given up under overload follow the reference channels."""
        references = kinds.count(Kind.REFERENCE)
        steps = steps_for(screens=self.has_screens, channels=len(kinds), references=references)
        self.shedder.take_steps(steps)

    def _rename(self, names: list[str]) -> None:
        told = dict(zip(self.watched.numbers, names, strict=True))
        self.board.about = replace(self.board.about, names=told)


def _references(setups: Sequence[ChannelSetup]) -> list[bool]:
    return [setup.is_reference for setup in setups]


def _of_osc(show: Show) -> tuple[tuple[OscTarget, ...], tuple[OscMap, ...], Known]:
    """Return what OSC out takes: receivers, mappings, and what these can speak of."""
    return show.osc, show.maps, known_of(show)


def _parts(old: Show, new: Show, watched: Watched) -> list[str]:
    """Return in words what has changed of what is put in force at once."""
    sides = [
        {
            "kinds, delays, sensitivity, advice": (
                [replace(setup, rang_hz=()) for setup in watched.setups(show)],
                watched.kinds(show),
            ),
            "channel names": watched.names(show),
            "running order": (show.acts, show.order),
            "known weak bands": (show.weak_bands, show.act_weak_bands),
            "OSC receivers and mappings": (show.osc, show.maps),
        }
        for show in (old, new)
    ]
    return [what for what in sides[0] if sides[0][what] != sides[1][what]]


def _left_for_later(old: Show, new: Show) -> str:
    """Return which tables have changed but are only taken at a start."""
    changed = [name for name in AT_A_START if _of(old, name) != _of(new, name)]
    numbers = sorted({channel.number for channel in (*old.channels, *new.channels)})
    if wiring_of(old, numbers) != wiring_of(new, numbers):
        changed.append("who belongs to which mix and wedge")
    return f"; at the next start: {', '.join(changed)}" if changed else ""


def _channels_for_later(old: Show, new: Show, watched: Watched) -> str:
    """Return which channels are named and not watched, and which are watched and no longer named.

    Inputs are chosen as the device is opened. What the command line names, or `device.channels`
    leaves out, a start leaves out too.
    """
    absent = watched.unwatched(new)
    named = {channel.number for channel in new.channels}
    gone = [one.number for one in old.channels if one.number not in named]
    gone = [number for number in gone if number in watched.numbers]
    text = ""
    if absent:
        most = new.device.channels
        is_next = not watched.has_chosen and (most is None or max(absent) <= most)
        until = " before the next start" if is_next else ""
        text = f"; NOT WATCHED{until}: {named_channels(absent)}"
    if gone:
        text += f"; watched on, though no longer named: {named_channels(gone)}"
    return text


def _of(show: Show, name: str) -> object:
    return show.stage.title if name == "title" else getattr(show, name)
