"""Timelines and spectra as SVG: time to the right, frequency upwards, a bar a ring.

How bad a ring was shows in form as well as in colour: a suspect is a thin open bar, an alarm a
filled one with an upright stroke where the alarm was raised, a howl one twice as high with a point
on the stroke.
"""

import math
from collections.abc import Callable, Sequence
from html import escape
from itertools import pairwise

import numpy as np

from prehowl.daemon.logbook.records import Spectrum
from prehowl.daemon.logbook.report.clock import StreamClock, when_words
from prehowl.daemon.logbook.story import RingStory
from prehowl.daemon.sinks.words import band_words, frequency_words, time_words

WIDTH, HEIGHT = 900, 150
LEFT, RIGHT, TOP, BOTTOM = 58, 8, 6, 20
LOW_HZ, HIGH_HZ = 40.0, 18000.0
TICK_ROOM = 24  # half of the longest words under a mark
MARKS_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
Scale = Callable[[float], float]
"""Stream time to the place in the picture."""
SHORTEST_BAR = 3.0
HEIGHTS = {"suspect": 3.0, "ringing": 5.0, "howling": 10.0}
SPECTRUM_WIDTH, SPECTRUM_HEIGHT, SPECTRUM_LOW_DBFS = 260, 64, -110.0


def timeline(rings: Sequence[RingStory], begin_s: float, end_s: float, clock: StreamClock) -> str:
    """Return the rings of one channel as an SVG element.

    Parameters
    ----------
    rings : sequence of RingStory
    begin_s, end_s : float
        Of the act, stream time, seconds.
    clock : StreamClock
        Of the run: marks and words are by it.
    """
    span_s = max(end_s - begin_s, 1.0)

    def x(time_s: float) -> float:
        share = min(max((time_s - begin_s) / span_s, 0.0), 1.0)
        return LEFT + share * (WIDTH - LEFT - RIGHT)

    parts = [*_frequency_lines(), *_time_marks(clock.marks(begin_s, begin_s + span_s), x)]
    parts += [_bar(ring, x(_end(ring, end_s)), x, clock) for ring in rings]
    label = f"{len(rings)} rings over {time_words(span_s)}"
    return (
        f'<svg class="timeline" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-label="{escape(label)}">{"".join(parts)}</svg>'
    )


def spectrum_svg(spectrum: Spectrum, ring_hz: float) -> str:
    """Return a spectrum as a small SVG element, with a stroke at the ring's frequency."""
    level = np.array(spectrum.level_dbfs[1:])
    hz = spectrum.bin_hz * np.arange(1, len(level) + 1)
    edges = np.geomspace(LOW_HZ, min(HIGH_HZ, hz[-1]), SPECTRUM_WIDTH // 2)
    place = np.searchsorted(hz, edges)
    points = []
    for column, (first, end) in enumerate(pairwise(place)):
        top = float(level[first : max(end, first + 1)].max())
        share = max(0.0, top - SPECTRUM_LOW_DBFS) / -SPECTRUM_LOW_DBFS
        points.append(f"{2 * column},{SPECTRUM_HEIGHT * (1 - share):.1f}")
    at = 2 * float(np.interp(math.log(ring_hz), np.log(edges), np.arange(len(edges))))
    return (
        f'<svg class="spectrum" viewBox="0 0 {SPECTRUM_WIDTH} {SPECTRUM_HEIGHT}" role="img" '
        f'aria-label="spectrum at the alarm">'
        f'<line class="here" x1="{at:.1f}" x2="{at:.1f}" y1="0" y2="{SPECTRUM_HEIGHT}"/>'
        f'<polyline points="{" ".join(points)}"/></svg>'
    )


def height_of(frequency_hz: float) -> float:
    """Return the y of a frequency in a timeline, on a logarithmic scale."""
    share = math.log(frequency_hz / LOW_HZ) / math.log(HIGH_HZ / LOW_HZ)
    return HEIGHT - BOTTOM - min(max(share, 0.0), 1.0) * (HEIGHT - TOP - BOTTOM)


def _end(ring: RingStory, end_s: float) -> float:
    return end_s if ring.end_s is None else ring.end_s


def _frequency_lines() -> list[str]:
    parts = []
    for mark in MARKS_HZ:
        y = height_of(mark)
        parts.append(f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
        if mark in (125.0, 500.0, 2000.0, 8000.0):
            parts.append(
                f'<text x="{LEFT - 6}" y="{y + 4:.1f}" class="end">{band_words(mark)}</text>'
            )
    return parts


def _time_marks(marks: Sequence[tuple[float, str]], x: Scale) -> list[str]:
    parts = []
    for time_s, words in marks:
        at = x(time_s)
        # In the middle under the last mark half of the words would lie beyond the edge.
        anchor = "mid" if at < WIDTH - RIGHT - TICK_ROOM else "end"
        parts.append(f'<text x="{at:.1f}" y="{HEIGHT - 5}" class="{anchor}">{words}</text>')
        parts.append(f'<line x1="{at:.1f}" x2="{at:.1f}" y1="{TOP}" y2="{HEIGHT - BOTTOM}"/>')
    return parts


def _bar(ring: RingStory, right: float, x: Scale, clock: StreamClock) -> str:
    left = x(ring.onset_s)
    height = HEIGHTS[ring.worst]
    y = height_of(ring.frequency_hz)
    width = max(right - left, SHORTEST_BAR)
    words = (
        f"{ring.worst}, {frequency_words(ring.frequency_hz)} ({band_words(ring.band_hz)} band), "
        f"{when_words(clock.run, ring.onset_at, ring.onset_s)}"
    )
    mark = ""
    if ring.alarm_s is not None:
        at = x(ring.alarm_s)
        mark = (
            f'<line class="alarm" x1="{at:.1f}" x2="{at:.1f}" y1="{y - 9:.1f}" y2="{y + 9:.1f}"/>'
        )
        if ring.worst == "howling":
            mark += f'<circle cx="{at:.1f}" cy="{y - 9:.1f}" r="3.5"/>'
    return (
        f'<g class="{ring.worst}"><title>{escape(words)}</title>'
        f'<rect x="{left:.1f}" y="{y - height / 2:.1f}" width="{width:.1f}" height="{height}"/>'
        f"{mark}</g>"
    )
