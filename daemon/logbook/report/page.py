"""The report as one HTML page that needs nothing beside itself: no script, no fetching."""

import base64
from collections.abc import Iterator, Sequence
from html import escape

from prehowl.daemon.logbook.advice import Advice, BandCount
from prehowl.daemon.logbook.incidents import Incident
from prehowl.daemon.logbook.report.clock import day_words
from prehowl.daemon.logbook.report.data import (
    ActPart,
    ChannelPart,
    Moment,
    Report,
)
from prehowl.daemon.logbook.report.style import STYLE
from prehowl.daemon.logbook.report.timeline import spectrum_svg, timeline
from prehowl.daemon.sinks.words import band_words, counted, frequency_words, time_words


def page(report: Report) -> str:
    """Return the whole page."""
    body = "".join(
        [
            _head(report),
            _tomorrow(report.advice),
            _moments(report.moments),
            *(_act(part) for part in report.acts),
            _health(report.health),
            _foot(report),
        ]
    )
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(report.title)}: what rang</title><style>{STYLE}</style></head>"
        f"<body><main>{body}</main></body></html>\n"
    )


def _head(report: Report) -> str:
    first = report.runs[0]
    length_s = sum(run.watched_s for run in report.runs)
    torn = sum(not run.is_ended for run in report.runs)
    facts = [
        f"{day_words(first)}",
        f"{time_words(length_s)} watched",
        f"{counted(report.alarms, 'alarm')}, heard {counted(report.heard, 'time')} on all channels",
        f"{report.suspects} suspicion{'s' * (report.suspects != 1)} that came to nothing",
    ]
    if len(report.runs) > 1:
        facts.append(f"{len(report.runs)} starts")
    if torn:
        facts.append(f"{torn} without a clean end")
    return f"<h1>{escape(report.title)}</h1><p class='facts'>{escape(' · '.join(facts))}</p>"


def _tomorrow(advice: Advice) -> str:
    rows = [*_pull_items(advice), *_look_items(advice)]
    if advice.watches:
        names = ", ".join(
            f"{band_words(watch.band_hz)} on {watch.sheet} ({watch.name})"
            for watch in advice.watches
        )
        rows.append(f"<li>Rang once, so keep an eye on: {escape(names)}.</li>")
    inside = f"<ul>{''.join(rows)}</ul>" if rows else "<p>Nothing: no band rang more than once.</p>"
    return f"<section id='tomorrow'><h2>What to change tomorrow</h2>{inside}</section>"


def _pull_items(advice: Advice) -> Iterator[str]:
    for pull in advice.pulls:
        beside = ""
        if pull.neighbour_hz is not None:
            beside = (
                f" {band_words(pull.neighbour_hz)} rang too: between two faders both must move."
            )
        yield (
            f"<li><strong>Pull {band_words(pull.band_hz)} by {pull.cut_db:g} dB on "
            f"{escape(pull.sheet)}.</strong> It rang {pull.times} times, at "
            f"{escape(', '.join(pull.names))}.{beside}</li>"
        )


def _look_items(advice: Advice) -> Iterator[str]:
    for look in advice.looks:
        yield f"<li><strong>Look at {escape(look.name)}:</strong> {escape(look.why)}.</li>"


def _moments(moments: Sequence[Moment]) -> str:
    if not moments:
        return ""
    rows = "".join(_moment(moment) for moment in moments)
    return f"<section id='moments'><h2>Worst moments</h2><ol>{rows}</ol></section>"


def _moment(moment: Moment) -> str:
    incident = moment.incident
    ring = incident.lead
    facts = [f"{ring.level_dbfs:.0f} dBFS"]
    if ring.growth_db_per_s is not None:
        facts.append(f"rose by up to {ring.growth_db_per_s:.0f} dB/s")
    if ring.end_s is not None:
        facts.append(f"lasted {max(0.0, ring.end_s - ring.onset_s):.1f} s")
    facts += _advised(incident)
    if incident.others:
        facts.append(f"also heard on {', '.join(incident.others)}")
    where = f"{ring.channel_name} (channel {ring.channel})"
    heading = " · ".join(filter(None, (moment.when, ring.act, where)))
    picture = "" if moment.spectrum is None else spectrum_svg(moment.spectrum, ring.frequency_hz)
    return (
        f"<li class='{incident.worst}'><h3>{escape(heading)}</h3>"
        f"<p><b>{incident.worst}</b> at {frequency_words(ring.frequency_hz)} "
        f"· {escape(' · '.join(facts))}</p>"
        f"<div class='kept'>{picture}{_clip(moment)}</div></li>"
    )


def _advised(incident: Incident) -> Iterator[str]:
    band = band_words(incident.band_hz)
    if incident.at_cap:
        yield f"advised: send down, {band} is at its cap on {incident.sheet}"
    elif incident.cut_db is not None:
        yield f"advised: {band} -{incident.cut_db:g} dB on {incident.sheet}"


def _clip(moment: Moment) -> str:
    if moment.clip is None:
        return "<span class='none'>no clip kept</span>"
    data = base64.b64encode(moment.clip.flac).decode()
    return (
        f"<span><audio controls preload='metadata' src='data:audio/flac;base64,{data}'></audio> "
        f"clip of alert {moment.clip.ring}, channel {moment.clip.channel}, "
        f"alarm at {moment.clip.alarm_at_s:.1f} s</span>"
    )


def _act(part: ActPart) -> str:
    rings = (ring for channel in part.channels for ring in channel.rings)
    alarms = len({ring.howl for ring in rings if ring.is_alarm})
    channels = "".join(_channel(part, channel) for channel in part.channels)
    quiet = f"<p class='quiet'>Quiet: {escape(', '.join(part.quiet))}</p>" if part.quiet else ""
    return (
        f"<section class='act'><h2>{escape(part.title)}</h2>"
        f"<p class='facts'>{part.span} · {alarms} alarm{'s' * (alarms != 1)}</p>"
        f"{channels}{quiet}</section>"
    )


def _channel(part: ActPart, channel: ChannelPart) -> str:
    row = channel.row
    of = f", {escape(row.partner)}" if row.partner else ""
    drawn = timeline(channel.rings, part.act.begin_s, part.act.end_s, part.clock)
    return (
        f"<article><h3>{row.number} {escape(row.name)} <small>{row.kind}{of}</small></h3>"
        f"{drawn}{_counts(channel.counts)}</article>"
    )


def _counts(counts: Sequence[BandCount]) -> str:
    cells = "".join(
        f"<tr><th>{band_words(c.band_hz)}</th><td>{c.alarms}</td><td>{c.howls}</td>"
        f"<td>{c.heard}</td><td>{c.suspects}</td>"
        f"<td>{_cut(c)}</td></tr>"
        for c in counts
    )
    return (
        "<table><tr><th>band</th><th>alarms</th><th>of these howls</th>"
        "<th>heard of other channels</th><th>suspicions only</th>"
        f"<th>largest cut advised</th></tr>{cells}</table>"
    )


def _cut(count: BandCount) -> str:
    cut = None if count.cut_db is None else f"-{count.cut_db:g} dB"
    return ", ".join(filter(None, (cut, "send down" if count.at_cap else None)))


def _health(health: Sequence[tuple[str, str]]) -> str:
    if not health:
        return ""
    rows = "".join(f"<li><b>{escape(when)}</b> {escape(text)}</li>" for when, text in health)
    return f"<section id='health'><h2>Device and machine</h2><ul>{rows}</ul></section>"


def _foot(report: Report) -> str:
    run = report.runs[-1]
    source = f"{run.info.source}, {run.info.rate_hz} Hz, prehowl {run.info.version}"
    return (
        f"<footer><p>Watched: {escape(source)}.</p><p>Clips are recordings of people: keep them "
        "only as long, and show them only to whom, those people and your law allow.</p></footer>"
    )
