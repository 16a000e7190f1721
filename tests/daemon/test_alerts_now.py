"""The rings of one howl as one event: its state, figures, names, and when it is news."""

from dataclasses import replace

from fakes import event
from hypothesis import given, settings
from hypothesis import strategies as st

from prehowl.daemon.alerts_now import AlertsNow, alerts_of, as_alert
from prehowl.daemon.events import Alert, RingEvent
from prehowl.daemon.rings_now import RingsNow
from prehowl.detectors.rings import RingState

SUSPECT, RINGING, HOWLING, CLEARED = RingState


def ring(id_: int, channel: int, state: RingState = RINGING, *, lead: int = 1, **more) -> RingEvent:
    """Return a ring of alert 1, whose loop is microphone 1 and mix 9."""
    alert = Alert(1, lead, f"Ch {lead}", 1, 9, "Ch 1", "Mix 1", "left wedge")
    return replace(event(state, id=id_, channel=channel), alert=alert, **more)


def test_the_state_is_the_worst_and_the_figures_are_of_the_loop():
    """Oracle: definition. The bystander is louder and steeper; its cut is not the loop's."""
    one = as_alert(
        [
            ring(1, 1, SUSPECT, time_s=2.0, level_dbfs=-30.0, cut_db=2.0),
            ring(2, 9, RINGING, time_s=2.1, level_dbfs=-20.0, cut_db=3.0),
            ring(3, 4, HOWLING, time_s=2.2, level_dbfs=-5.0, cut_db=6.0),
        ]
    )
    assert (one.id, one.state, one.time_s) == (1, HOWLING, 2.2)
    assert (one.channel, one.channel_name) == (1, "Ch 1")
    assert (one.cut_db, one.level_dbfs) == (3.0, -20.0)


def test_rings_without_an_alert_are_alerts_of_their_own():
    """Oracle: definition; test alerts and events from elsewhere are made outside a watch."""
    assert [one.id for one in alerts_of([event(id=3), event(id=4)])] == [3, 4]


def test_it_announces_once_and_clears_with_the_last():
    """Oracle: definition, by hand."""
    now = AlertsNow()
    story = [
        ring(1, 1, SUSPECT), ring(2, 9, RINGING), ring(1, 1, RINGING), ring(2, 9, CLEARED),
        ring(3, 4, SUSPECT), ring(3, 4, RINGING), ring(1, 1, CLEARED), ring(3, 4, CLEARED),
    ]  # fmt: skip
    news = [now.take(one) for one in story]
    assert [(n.alert.state, n.announces) if n else None for n in news] == [
        (SUSPECT, False), (RINGING, True), None, None, None, None, None, (CLEARED, False),
    ]  # fmt: skip
    assert now.worst_first() == ()


def test_better_names_are_news_but_announce_nothing():
    """Oracle: definition. The mix led until the microphone spoke."""
    now = AlertsNow()
    now.take(ring(1, 9, RINGING, lead=9))
    news = now.take(ring(2, 1, SUSPECT, lead=1))
    assert news is not None
    assert (news.alert.channel, news.announces, news.heard) == (1, False, 2)


def test_living_rings_have_the_names_that_their_alert_has_now():
    """Oracle: definition. The mix's own last event is from before the microphone took the lead."""
    now = RingsNow()
    now.take(ring(1, 9, RINGING, lead=9))
    now.take(ring(2, 1, RINGING, lead=1))
    named = [one.alert.channel for one in now.worst_first() if one.alert is not None]
    assert named == [1, 1]
    now.take(ring(2, 1, CLEARED, lead=1))  # what clears moves nothing
    (left,) = now.worst_first()
    assert (left.channel, left.alert) == (9, ring(2, 1).alert)


@st.composite
def stories(draw: st.DrawFn) -> list[RingEvent]:
    """Return rings of some alerts through their states, interleaved."""
    rings = draw(st.integers(1, 8))
    lanes = []
    for id_ in range(1, rings + 1):
        alert = Alert(draw(st.integers(1, 3)), 1, "Ch 1")
        states = [SUSPECT, *draw(st.sampled_from([[], [RINGING], [RINGING, HOWLING]])), CLEARED]
        made = (event(state, id=id_, channel=id_) for state in states)
        lanes.append([replace(one, alert=alert) for one in made])
    order = draw(st.permutations([n for n, lane in enumerate(lanes) for _ in lane]))
    return [lanes[n].pop(0) for n in order]


@settings(max_examples=50)
@given(stories())
def test_what_lives_is_what_the_rings_say_and_all_of_it_ends(story):
    """Oracle: a slow reference: the living rings themselves, grouped anew after each event."""
    now, counts, living = AlertsNow(), RingsNow(), {}
    announced: dict[int, int] = {}
    for one in story:
        living[one.id] = one
        if one.state is CLEARED:
            del living[one.id]
        news = now.take(one)
        counts.take(one)
        if news is not None and news.announces:
            announced[one.alert_id] = announced.get(one.alert_id, 0) + 1
        assert {a.id for a in now.worst_first()} == {ring.alert_id for ring in living.values()}
        assert [a.state for a in now.worst_first()] == [a.state for a in alerts_of(living.values())]
    assert now.worst_first() == ()
    assert counts.alarms == sum(announced.values())
    assert set(announced) == {one.alert_id for one in story if one.is_alarm}
