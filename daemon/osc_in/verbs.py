"""The verbs that OSC may ask for: addresses, types, ranges, and messages turned into commands.

Pure: no socket, no thread, no clock. Types are strict: a message with other types than those of the
table is refused, never bent into shape. `docs/osc.md` is compared with the table here.
"""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from prehowl.daemon.osc_in.decode import Message

HOLD_S = 600
"""How long a hold lasts where a button asks for it: a held channel must not stay so by mistake."""
BUTTON = ("", "T", "F", "i", "f")
"""Type tags of a button: nothing at all, or one value; what is 0 or false is its release."""
CHANNEL_HIGH = 256


class Verb(StrEnum):
    """What can be asked for."""

    NEXT_ACT = "next_act"
    PREVIOUS_ACT = "previous_act"
    ACKNOWLEDGE = "acknowledge"
    HOLD = "hold"
    SNAPSHOT = "snapshot"
    RINGOUT_CONFIRM = "ringout_confirm"
    RINGOUT_CORRECT = "ringout_correct"
    RINGOUT_SKIP = "ringout_skip"
    RINGOUT_GAIN = "ringout_gain"
    RINGOUT_UNDO = "ringout_undo"
    RINGOUT_FINISH = "ringout_finish"


@dataclass(frozen=True, slots=True)
class Command:
    """One verb with what belongs to it, whoever asked: OSC, a key, or the clock."""

    verb: Verb
    by: str  # who asked: "osc 192.168.20.31", "key", "clock"
    channel: int = 0  # from 1; 0: whatever is in the large space
    seconds: int = 0  # of a hold; 0 releases it
    text: str = ""  # of a snapshot: what to call it
    band_hz: float | None = None  # of a ring-out's correction
    cut_db: float | None = None
    by_db: float | None = None  # of a change of gain that the ring-out is told of


class Refused(ValueError):
    """A sound OSC message that is no command: unknown address, other types, out of range."""

    def __init__(self, reason: str, text: str) -> None:
        super().__init__(text)
        self.reason = reason  # the field of `receiver.Counts` that it counts in


@dataclass(frozen=True, slots=True)
class Argument:
    """One documented argument."""

    tag: str
    name: str
    low: float = 0  # of a number, or fewest characters
    high: float = 0  # of a number, or most characters


@dataclass(frozen=True, slots=True)
class Form:
    """One address that is taken; `<n>` in it stands for a channel number."""

    address: str
    verb: Verb
    arguments: tuple[Argument, ...]
    does: str
    make: Callable[..., dict[str, Any]]
    is_button: bool = False  # takes what a button sends, in place of typed arguments
    heeds_release: bool = False  # the release of the button is a command as well

    @property
    def tags(self) -> tuple[str, ...]:
        """Return the type tag strings that are taken, without comma."""
        return BUTTON if self.is_button else ("".join(a.tag for a in self.arguments),)


def _button(address: str, verb: Verb, does: str) -> Form:
    return Form(address, verb, (), does, lambda: {}, is_button=True)


FORMS = (
    _button("/prehowl/do/next_act", Verb.NEXT_ACT, "goes to the next act of the running order"),
    _button("/prehowl/do/previous_act", Verb.PREVIOUS_ACT, "goes back one act"),
    _button(
        "/prehowl/do/acknowledge",
        Verb.ACKNOWLEDGE,
        "quiets what fills the large space of the dashboard until its state changes",
    ),
    Form(
        "/prehowl/do/channel/<n>/acknowledge",
        Verb.ACKNOWLEDGE,
        (),
        "quiets every ring on one channel until its state changes",
        lambda channel: {"channel": channel},
        is_button=True,
    ),
    Form(
        "/prehowl/do/hold",
        Verb.HOLD,
        (Argument("i", "channel", 1, CHANNEL_HIGH), Argument("i", "seconds", 0, 3600)),
        "holds a channel: its rings are told and logged, but do not fill the large space and are "
        "never the worst; 0 seconds releases it",
        lambda channel, seconds: {"channel": channel, "seconds": seconds},
    ),
    Form(
        "/prehowl/do/channel/<n>/hold",
        Verb.HOLD,
        (),
        f"the same from a button: pressed holds for {HOLD_S} s, released (0 or false) releases",
        lambda channel, pressed: {"channel": channel, "seconds": HOLD_S if pressed else 0},
        is_button=True,
        heeds_release=True,
    ),
    _button("/prehowl/do/snapshot", Verb.SNAPSHOT, "writes what is true now into the event stream"),
    Form(
        "/prehowl/do/snapshot/named",
        Verb.SNAPSHOT,
        (Argument("s", "name", 1, 40),),
        "the same with a name",
        lambda name: {"text": name},
    ),
    _button(
        "/prehowl/do/ringout/confirm", Verb.RINGOUT_CONFIRM, "the advised cut of this step is made"
    ),
    Form(
        "/prehowl/do/ringout/correct",
        Verb.RINGOUT_CORRECT,
        (Argument("f", "band_hz", 20, 20000), Argument("f", "cut_db", 0, 24)),
        "another band or cut was made at this step than the advised one",
        lambda band_hz, cut_db: {"band_hz": band_hz, "cut_db": cut_db},
    ),
    _button(
        "/prehowl/do/ringout/skip", Verb.RINGOUT_SKIP, "nothing was pulled: this ring is left alone"
    ),
    Form(
        "/prehowl/do/ringout/gain",
        Verb.RINGOUT_GAIN,
        (Argument("f", "by_db", -6, 6),),
        "the gain was raised by so much; below 0: lowered",
        lambda by_db: {"by_db": by_db},
    ),
    _button("/prehowl/do/ringout/undo", Verb.RINGOUT_UNDO, "the last step is taken back"),
    _button("/prehowl/do/ringout/finish", Verb.RINGOUT_FINISH, "the ring-out ends here"),
)
"""Every address that is a command."""


def _pattern(form: Form) -> re.Pattern[str]:
    return re.compile(re.escape(form.address).replace("<n>", "([1-9][0-9]{0,2})"))


_WITHOUT_CHANNEL = {form.address: form for form in FORMS if "<n>" not in form.address}
_WITH_CHANNEL = tuple((_pattern(form), form) for form in FORMS if "<n>" in form.address)


def command_from(message: Message, by: str) -> Command | None:
    """Return the command that a message is, or None for the release of a button.

    Parameters
    ----------
    message : Message
        From `messages_in`.
    by : str
        Who sent it, for people.

    Raises
    ------
    Refused
        If it is no command; `reason` is one of ``unknown_address``, ``wrong_types``,
        ``out_of_range``.
    """
    form, channel = _form_of(message.address)
    if message.tags not in form.tags:
        wanted = " or ".join(f"',{tags}'" for tags in form.tags)
        raise Refused("wrong_types", f"{message.address} takes {wanted}, not ',{message.tags}'")
    given: list[Any] = list(channel)
    if form.is_button:
        is_pressed = _is_pressed(message)
        if form.heeds_release:
            given.append(is_pressed)
        elif not is_pressed:
            return None
    else:
        given += [_checked(*pair) for pair in zip(form.arguments, message.arguments, strict=True)]
    return Command(form.verb, by, **form.make(*given))


def _form_of(address: str) -> tuple[Form, tuple[int, ...]]:
    if address in _WITHOUT_CHANNEL:
        return _WITHOUT_CHANNEL[address], ()
    for pattern, form in _WITH_CHANNEL:
        match = pattern.fullmatch(address)
        if match and int(match[1]) <= CHANNEL_HIGH:
            return form, (int(match[1]),)
    raise Refused("unknown_address", "no such verb")


def _is_pressed(message: Message) -> bool:
    """Tell a press from a release; a value that is no number is neither."""
    if not message.arguments:
        return True
    value = message.arguments[0]
    if isinstance(value, float) and not math.isfinite(value):
        raise Refused("out_of_range", f"{message.address}: {value} is no button's value")
    return bool(value)


def _checked(argument: Argument, value: Any) -> Any:
    """Return the value if it is within the documented range."""
    size = len(value) if argument.tag == "s" else value
    is_within = argument.low <= size <= argument.high  # False for NaN
    if not is_within or (argument.tag == "s" and not value.isprintable()):
        raise Refused("out_of_range", f"{argument.name} is out of range")
    return value
