"""Times of day in a running order, which may go on past midnight."""

from collections.abc import Sequence

DAY_MIN = 24 * 60


def minutes_of(text: str) -> int | None:
    """Return the minutes since midnight that ``HH:MM`` means, or None if it means none."""
    hours, colon, minutes = text.partition(":")
    if not (colon and hours.isdecimal() and minutes.isdecimal() and len(minutes) == 2):
        return None
    found = int(hours) * 60 + int(minutes)
    return found if int(hours) < 24 and int(minutes) < 60 else None


def minutes_into(starts: Sequence[int | None]) -> tuple[int | None, ...]:
    """Return each start as minutes after the first one, over midnight where the day turns."""
    first = next((start for start in starts if start is not None), 0)
    return tuple(None if start is None else (start - first) % DAY_MIN for start in starts)
