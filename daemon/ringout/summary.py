"""The end of a ring-out in figures: for scripts as one object, for a person as lines."""

from typing import Any

from prehowl.daemon.ringout.cost import pink_loss_db
from prehowl.daemon.ringout.state import Found, State
from prehowl.daemon.sinks.words import band_words, frequency_words
from prehowl.detectors.bands import NOMINAL_HZ


def record_of_state(state: State) -> dict[str, Any]:
    """Return what a ring-out came to as JSON types: cuts by band, order, gain won, what to do."""
    plan = state.plan
    won = state.gain_won
    return {
        "type": "ringout",
        "mix": plan.mix,
        "monitor": plan.monitor,
        "microphone": plan.microphone,
        "place": plan.place,
        "temperature_c": plan.temperature_c,
        "phase": str(state.phase),
        "stopped_by": None if state.reason is None else str(state.reason),
        "cuts_db": {f"{NOMINAL_HZ[band]:g}": cut for band, cut in enumerate(state.cuts_db) if cut},
        "order": [_found_record(found) for found in state.found],
        "pink_loss_db": round(pink_loss_db(state.cuts_db, plan.eq_kind), 2) + 0.0,
        "gain_won_db": None if won is None else round(won.db, 1),
        "gain_won_plus_minus_db": None
        if won is None or won.plus_minus_db is None
        else round(won.plus_minus_db, 1),
        "gain_won_is_measured": won is not None and won.is_measured,
        "raised_db": state.raised_db,
        "send_back_db": plan.send_back_db,
    }


def _found_record(found: Found) -> dict[str, Any]:
    return {
        "order": found.order,
        "time_s": round(found.time_s, 1),
        "frequency_hz": round(found.frequency_hz, 1),
        "band_hz": found.band_hz,
        "pulls": [
            {"band_hz": pull.band_hz, "by_db": pull.by_db, "to_db": pull.to_db}
            for pull in found.pulls
        ],
        "has_cleared": found.has_cleared,
        "was_corrected": found.was_corrected,
    }


def lines_of_state(state: State) -> list[str]:
    """Return the end of a ring-out as lines for a person."""
    cuts = [(NOMINAL_HZ[band], cut) for band, cut in enumerate(state.cuts_db) if cut]
    lines = [
        f"found, in order: {', '.join(_found_words(found) for found in state.found) or 'none'}"
    ]
    faders = ", ".join(f"{band_words(band)} -{cut:g}" for band, cut in cuts) or "all flat"
    lines.append(f"faders, dB: {faders}")
    lines.append(
        f"they take {pink_loss_db(state.cuts_db, state.plan.eq_kind):.1f} dB of pink noise"
    )
    lines.append(_gain_words(state))
    lines.append(f"now pull the send back by {state.plan.send_back_db:g} dB")
    return lines


def _found_words(found: Found) -> str:
    words = frequency_words(found.frequency_hz)
    if not found.pulls:
        return f"{words} (left alone)"
    return words if found.has_cleared else f"{words} (not seen to clear)"


def _gain_words(state: State) -> str:
    won = state.gain_won
    if won is None:
        return "gain won: not measured; read it off the send and enter it"
    if won.plus_minus_db is None:
        return f"gain won: {won.db:.1f} dB, as entered"
    return f"gain won before feedback: {won.db:.1f} dB, give or take {won.plus_minus_db:.1f}"


def lines_of_truth(truth: dict[str, Any]) -> list[str]:
    """Return the truth of a virtual stage as lines for a person."""
    missed, idle = truth["bands_missed_hz"], truth["cuts_too_many_hz"]
    return [
        f"truth: gain before feedback {truth['gain_before_feedback_before_db']:.1f} dB before, "
        f"{truth['gain_before_feedback_after_db']:.1f} dB after: "
        f"{truth['gain_won_db']:.1f} dB won",
        f"truth: as many faders could win {truth['best_won_db']:.1f} dB at best, "
        f"{truth['best_won_same_cut_db']:.1f} dB with no more pulled in all",
        f"truth: bands missed: {', '.join(map(band_words, missed)) or 'none'}; "
        f"cuts too many: {', '.join(map(band_words, idle)) or 'none'}",
    ]
