"""What goes wrong in an act: cues in time, none of which knows a frequency.

Owns the plots. A cue moves a fader, a hand or a microphone; whether anything rings, and where, is
for the loop to decide.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from prehowl.daemon.stage.acts import MICROPHONES, MIXES, SINGERS, TALK, Act, dropped_before
from prehowl.daemon.stage.faders import OFF_DB
from prehowl.daemon.stage.stage_truth import reach_db


@dataclass(frozen=True, slots=True)
class Cue:
    """Something that happens at a time within the act."""

    at_s: float
    do: Callable[[Act], None]
    story: str = ""  # for a person; empty where it goes unnoticed


def line_check(begin_s: float) -> list[Cue]:
    """Speak into three microphones, one after the other, before the band comes in."""
    cues = [Cue(begin_s, _band(OFF_DB, 0.0), "line check")]
    for index, ch in enumerate(SINGERS[:3]):
        at_s = begin_s + 1.4 * index
        cues.append(Cue(at_s, _level(f"check {ch}", 0.0, 0.1)))
        cues.append(Cue(at_s + 1.4, _level(f"check {ch}", OFF_DB, 0.2)))
    return [*cues, Cue(begin_s + 4.4, _band(0.0, 0.3), "the band starts")]


def more_me(begin_s: float, singer: int) -> list[Cue]:
    """Let a singer ask for more and more, past what the loop can bear."""
    name = MICROPHONES[singer]
    return [
        Cue(begin_s, _push(singer, singer, 2.0, 1.0), f"{name} asks for more of that voice"),
        Cue(begin_s + 2.5, _push(singer, singer, 0.6, 1.0), f"{name}: and a bit more"),
        Cue(begin_s + 5.0, _push(singer, singer, -0.7, 0.6), f"{name}: more, please"),
        Cue(begin_s + 10.5, _restore(singer), f"{name} is content"),
    ]


def quiet_talker(begin_s: float, mix: int) -> list[Cue]:
    """Bring a shy talker up to the edge, and nearer to the microphone at last."""
    return [
        Cue(begin_s, _level("talker", 0.0, 0.3), "a quiet talker at the talk mic"),
        Cue(begin_s + 0.1, _band(-10.0, 0.5)),
        Cue(begin_s + 1.0, _push(mix, TALK, 0.9, 1.0), "the talker cannot hear a word"),
        Cue(begin_s + 3.2, _push(mix, TALK, 0.35, 0.8), "still too quiet"),
        Cue(begin_s + 6.5, _level("talker", 8.0, 0.5), "the talker comes nearer"),
        Cue(begin_s + 6.8, _restore(mix)),
        Cue(begin_s + 8.5, _level("talker", OFF_DB, 0.5)),
        Cue(begin_s + 8.6, _band(0.0, 0.5)),
    ]


def cupped(begin_s: float, singer: int, for_s: float) -> list[Cue]:
    """Close a hand round the capsule, and open it again."""
    name = MICROPHONES[singer]
    return [
        Cue(begin_s, _cup(singer, 1.0, 0.25), f"{name}: a hand closes round the microphone"),
        Cue(begin_s + for_s, _cup(singer, 0.0, 0.25), f"{name}: the hand opens"),
        Cue(begin_s + for_s + 2.0, _restore(singer)),
    ]


def dropped(begin_s: float, singer: int) -> list[Cue]:
    """Let a microphone fall to the floor, facing the wedge, and be picked up again."""
    name = MICROPHONES[singer]
    return [
        Cue(begin_s, _level(f"singer {singer}", OFF_DB, 0.2)),
        Cue(begin_s, _drop(singer), f"{name} falls to the floor, facing the wedge"),
        Cue(begin_s + 3.5, _pick_up(singer), f"{name} is picked up"),
        Cue(begin_s + 5.0, _restore(singer), f"{MIXES[singer]} comes back"),
        Cue(begin_s + 5.0, _level(f"singer {singer}", 0.0, 0.3)),
    ]


def plot(number: int, rng: np.random.Generator) -> list[Cue]:
    """Return the cues of act `number`, about 30 s: two incidents, after a line check.

    The first two acts show each kind once, so that a minute of demo has them all.
    """
    singers = [int(ch) for ch in rng.permutation(3)]
    pairs = [("more", "drop"), ("talk", "cup")]
    kinds = pairs[number] if number < len(pairs) else pairs[int(rng.integers(2))]
    if number >= len(pairs) and rng.random() < 0.5:
        kinds = (kinds[0], "cup" if kinds[1] == "drop" else "drop")
    cues = line_check(0.0)
    first_s, second_s = 6.5, 19.5 + float(rng.uniform(0, 1.5))
    if kinds[0] == "more":
        cues += more_me(first_s, singers[0])
    else:
        cues += quiet_talker(first_s, int(rng.choice([0, 2])))
    if kinds[1] == "drop":
        cues += dropped(second_s, singers[1])
    else:
        cues += cupped(second_s, singers[1], float(rng.uniform(1.6, 2.6)))
    return sorted(cues, key=lambda cue: cue.at_s)


def _level(name: str, level_db: float, over_s: float) -> Callable[[Act], None]:
    return lambda act: act.programme.bring(name, level_db, over_s)


def _band(level_db: float, over_s: float) -> Callable[[Act], None]:
    def do(act: Act) -> None:
        for name in act.programme.names:
            if name != "talker" and not name.startswith("check"):
                act.programme.bring(name, level_db, over_s)

    return do


def _push(mix: int, ch: int, to_margin_db: float, over_s: float) -> Callable[[Act], None]:
    """Raise one send until so much is left of what the loop can bear (below zero: too far)."""

    def do(act: Act) -> None:
        reach = reach_db(act.stage.loop_state(), act.stage.rate_hz, mix, [ch])
        if np.isfinite(reach):
            now_db = float(act.stage.sends.now_db[mix, ch])
            act.stage.sends.move((mix, ch), now_db + reach - to_margin_db, over_s)

    return do


def _restore(mix: int) -> Callable[[Act], None]:
    def do(act: Act) -> None:
        for ch, level_db in enumerate(act.base_send_db[mix]):
            act.stage.sends.move((mix, ch), float(level_db), 1.0)

    return do


def _cup(ch: int, cup: float, over_s: float) -> Callable[[Act], None]:
    return lambda act: act.stage.move(ch, act.stage.rig.microphones[ch].cupped(cup), over_s)


def _drop(ch: int) -> Callable[[Act], None]:
    def do(act: Act) -> None:
        rig = act.stage.rig
        act.stage.move(ch, dropped_before(rig.wedges[ch], rig.microphones[ch]), 0.5)

    return do


def _pick_up(ch: int) -> Callable[[Act], None]:
    return lambda act: act.stage.move(ch, act.stage.rig.microphones[ch], 0.9)
