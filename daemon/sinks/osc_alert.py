"""The OSC message of an alert: one howl, on however many channels, told once."""

from prehowl.daemon.alerts_now import News
from prehowl.daemon.sinks.osc_bytes import milliseconds
from prehowl.daemon.sinks.osc_messages import (
    CONTRACT_VERSION,
    NAMES,
    NOTHING,
    Spec,
    datagram,
    label,
    names_of,
)

ALERT = Spec(
    "/prehowl/alert",
    "alert",
    (
        ("i", "version"),
        ("i", "id"),
        ("i", "announces"),
        ("i", "channel"),
        ("s", "channel_name"),
        *NAMES,
        ("s", "state"),
        ("i", "heard"),
        ("i", "time_ms"),
        ("f", "frequency_hz"),
        ("f", "band_hz"),
        ("f", "level_dbfs"),
        ("f", "growth_db_per_s"),
        ("f", "cut_db"),
        ("s", "label"),
        ("s", "act"),
    ),
    "each time an alert, one howl on however many channels, enters a state or is named better; "
    "`announces` is 1 once in its life, when it becomes an alarm",
)


def alert_datagram(news: News) -> bytes:
    """Return `/prehowl/alert` for what has changed in an alert."""
    alert, record = news.alert, news.alert.record()
    figures = ("frequency_hz", "band_hz", "level_dbfs", "growth_db_per_s", "cut_db")
    return datagram(
        ALERT,
        (
            CONTRACT_VERSION,
            alert.id,
            int(news.announces),
            alert.channel,
            alert.channel_name,
            *names_of(alert.alert),
            record["state"],
            news.heard,
            milliseconds(alert.time_s),
            *(record[name] for name in figures),
            label(alert),
            alert.act or NOTHING,
        ),
    )
