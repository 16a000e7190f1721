"""Changes of a sheet as a person types them: `2.5k -3 63 -2`. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from prehowl.daemon.errors import UsageError
from prehowl.daemon.sheets.sheet import HIGHEST_DB, Sheet
from prehowl.daemon.sheets.wording import gain_words
from prehowl.daemon.sinks.words import band_words
from prehowl.detectors.band_names import band_from_words
from prehowl.detectors.bands import NOMINAL_HZ


def parse_moves(words: Sequence[str]) -> dict[int, float]:
    """Return fader (0..30) and position in dB for each pair of words, `2.5k -3 63 -2`.

    Raises
    ------
    UsageError
        If a word names no fader or no position, or a fader comes twice.
    """
    if len(words) % 2:
        raise UsageError(
            f"{words[-1]!r} has no position: give pairs of fader and dB, such as 2.5k -3 63 -2"
        )
    moves: dict[int, float] = {}
    for name, position in zip(words[::2], words[1::2], strict=True):
        try:
            band = band_from_words(name)
        except ValueError as fault:
            raise UsageError(str(fault)) from None
        if band in moves:
            raise UsageError(f"{name!r}: the {band_words(NOMINAL_HZ[band])} fader comes twice")
        moves[band] = _position(position)
    return moves


def with_moves(sheet: Sheet, moves: Mapping[int, float]) -> Sheet:
    """Return the sheet with faders at new positions.

    Raises
    ------
    UsageError
        If a position is beyond the cap or between two steps of the sheet's faders.
    """
    for band, gain in moves.items():
        name, cap, step = band_words(NOMINAL_HZ[band]), sheet.fader_cap_db, sheet.fader_step_db
        if not -cap <= gain <= HIGHEST_DB:
            raise UsageError(
                f"{name} {gain_words(gain)} dB: this sheet's faders go from -{cap:g} (--cap) to "
                f"+{HIGHEST_DB:g} dB"
            )
        if abs(gain / step - round(gain / step)) > 1e-6:
            near = round(gain / step) * step
            raise UsageError(
                f"{name} {gain_words(gain)} dB: its faders have steps of {step:g} dB (--step); "
                f"the nearest is {gain_words(round(near, 9))}"
            )
    return sheet.with_faders(moves)


def with_values(sheet: Sheet, values: Mapping[str, object]) -> Sheet:
    """Return the sheet with other values; None leaves a value alone."""
    told = {key: value for key, value in values.items() if value is not None}
    return replace(sheet, **told)  # type: ignore[arg-type]


def change_words(before: Sheet, after: Sheet, values: Sequence[str]) -> str:
    """Return what was changed, for the history: `2.5 kHz 0 to -3 dB, place`."""
    pairs = zip(NOMINAL_HZ, before.faders_db, after.faders_db, strict=True)
    parts = [
        f"{band_words(hz)} {gain_words(a)} to {gain_words(b)} dB" for hz, a, b in pairs if a != b
    ]
    parts += [
        f"{key} {_shown(getattr(after, key))} (was {_shown(getattr(before, key))})"
        for key in values
        if getattr(before, key) != getattr(after, key)
    ]
    return ", ".join(parts)


def _shown(value: object) -> str:
    if isinstance(value, int | float):
        return f"{value:g}"
    return str(value or "not told")


def _position(text: str) -> float:
    plain = text.casefold().removesuffix("db").strip().replace("−", "-").replace(",", ".")
    try:
        position = float(plain)
    except ValueError:
        raise UsageError(f"{text!r} is no fader position; write dB such as -3 or 0") from None
    if not abs(position) < 100:
        raise UsageError(f"{text!r} is no fader position; write dB such as -3 or 0")
    return position
