"""Sheets of every kind, for property tests."""

from hypothesis import strategies as st

from prehowl.daemon.sheets.sheet import Change, FoundRing, Sheet
from prehowl.detectors.bands import NOMINAL_HZ

printable = st.characters(exclude_categories=("C", "Z"))
words = st.text(printable, min_size=1, max_size=40).filter(
    lambda text: any(c.isalnum() for c in text) and text.isprintable()
)
texts = st.text(st.characters(exclude_categories=("C", "Zl", "Zp")), max_size=80).filter(
    str.isprintable
)
moments = st.datetimes().map(lambda moment: moment.isoformat())
gains = st.floats(-24, 12)
rings = st.builds(
    FoundRing,
    st.floats(10, 24_000),
    st.sampled_from([float(hz) for hz in NOMINAL_HZ]),
    st.floats(0, 24),
    st.just("") | moments,
)
changes = st.builds(Change, moments, texts.filter(str.strip))
sheets = st.builds(
    Sheet,
    words,
    words,
    words,
    place=texts,
    made_at=st.just("") | moments,
    temperature_c=st.none() | st.floats(-20, 55),
    eq=st.sampled_from(["constant-q", "proportional-q"]),
    fader_step_db=st.floats(0.1, 1),
    gain_won_db=st.none() | st.floats(-40, 40),
    pull_back_db=st.none() | st.integers(0, 40),
    note=texts,
    rings=st.lists(rings, max_size=4).map(tuple),
    history=st.lists(changes, max_size=4).map(tuple),
    faders_db=st.lists(gains, min_size=31, max_size=31).map(tuple),
)
