"""When cutting on would not help, and what helps instead.

Owns the rules of the trade for the end of a ring-out: several rings at once mean that the loop is
near its limit all over; a band at its cap or deep cuts side by side mean that the sound is being
dug out; a sheet that takes much of the sound is worth less than its gain. All common practice, no
source; the figures are the plan's.
"""

from dataclasses import replace

from prehowl.daemon.ringout.cost import pink_loss_db
from prehowl.daemon.ringout.state import Help, Phase, Reason, State
from prehowl.detectors.bands import band_index

MOST_AT_ONCE = 3
PILE_BANDS = 3
PILE_SHARE = 0.75
"""So many neighbours, each pulled by at least this share of the cap, are a pile."""
HARMONIC_SHARE = 0.01

HELPS: dict[Reason, tuple[Help, ...]] = {
    Reason.MANY_AT_ONCE: (Help.LEVEL, Help.FEWER_OPEN_MICS, Help.MIC_ANGLE, Help.WEDGE_POSITION),
    Reason.AT_CAP: (Help.MIC_ANGLE, Help.MIC_POSITION, Help.WEDGE_POSITION, Help.LEVEL),
    Reason.PILED_UP: (Help.MIC_ANGLE, Help.MIC_POSITION, Help.WEDGE_POSITION, Help.LEVEL),
    Reason.COSTLY: (Help.MIC_POSITION, Help.MIC_ANGLE, Help.WEDGE_POSITION, Help.LEVEL),
    Reason.NO_RESPONSE: (
        Help.RIGHT_EQUALISER,
        Help.FEWER_OPEN_MICS,
        Help.MIC_ANGLE,
        Help.WEDGE_POSITION,
    ),
    Reason.ENOUGH: (),
}
"""What else helps, best first."""
CAN_BE_WAIVED = frozenset({Reason.ENOUGH, Reason.COSTLY, Reason.PILED_UP})
"""Reasons that a person may overrule once and for all; the others come back with the facts."""


def rings_many_at_once(state: State) -> bool:
    """Tell whether more than three bands ring now, harmonics of a limited howl not counted."""
    heard = sorted(
        (ring for ring in state.heard if ring.ring_id not in state.skipped),
        key=lambda ring: ring.frequency_hz,
    )
    own = [
        ring.frequency_hz
        for index, ring in enumerate(heard)
        if not any(_is_harmonic(ring.frequency_hz, low.frequency_hz) for low in heard[:index])
    ]
    return len({int(band_index(hertz)) for hertz in own}) > MOST_AT_ONCE


def advised(state: State, reason: Reason) -> State:
    """Return the state in which it is said that more cuts would not help, and what would."""
    return replace(state, phase=Phase.ADVISED, reason=reason, helps=HELPS[reason], pulls=())


def reason_to_stop(state: State) -> Reason | None:
    """Return why no more gain should be asked for, or None."""
    enough = state.gain_won is not None and state.gain_won.db >= state.plan.enough_db
    checks = (
        (Reason.ENOUGH, enough),
        (Reason.COSTLY, pink_loss_db(state.cuts_db, state.plan.eq_kind) > state.plan.costly_db),
        (Reason.PILED_UP, _are_piled_up(state)),
    )
    return next((why for why, holds in checks if holds and why not in state.waived), None)


def _are_piled_up(state: State) -> bool:
    deep = [cut >= PILE_SHARE * state.plan.cap_db for cut in state.cuts_db]
    return any(all(deep[at : at + PILE_BANDS]) for at in range(len(deep) - PILE_BANDS + 1))


def _is_harmonic(high_hz: float, low_hz: float) -> bool:
    """Tell whether one is a whole multiple of the other: a howl at its ceiling brings those."""
    ratio = high_hz / low_hz
    return round(ratio) >= 2 and abs(ratio / round(ratio) - 1) < HARMONIC_SHARE
