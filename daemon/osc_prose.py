"""The words between the tables of the OSC reference page."""

from prehowl.daemon.osc_in.flood import MOST_BYTES, MOST_DATAGRAMS
from prehowl.daemon.osc_in.receiver import QUEUE_LENGTH
from prehowl.daemon.osc_in.verbs import HOLD_S
from prehowl.daemon.sinks.osc_messages import CONTRACT_VERSION

HEAD = f"""\
# OSC: what prehowl sends and takes

prehowl tells tablets, lighting desks and other computers what it sees, as OSC 1.0 messages, one message a datagram over UDP, or one a SLIP frame over TCP (`transport = "tcp"`, OSC 1.1 framing).
Receivers are named in the show file, one `[[osc]]` table each ([show-file.md](show-file.md)), or on the command line as `HOST:PORT`.
A device that wants other addresses gets them by [mappings](#mappings); what may be asked of prehowl is under [OSC in](#osc-in), which is off unless you switch it on.

Of its own accord prehowl sends only the types `i` (32-bit integer), `f` (32-bit float) and `s` (string, UTF-8; plain ASCII names are the safe choice for old receivers); mappings may send `b`, `T` and `F`, and attached screens get `b`.

This is contract {CONTRACT_VERSION}: the last value of each heartbeat and the first of each `/prehowl/ring` and `/prehowl/alert`.
It rises when the order or the meaning of any values changes; new addresses do not raise it. Refuse a contract that you do not know.

> prehowl is an aid to an engineer, not a safety device.
> Do not let a message of it switch strobes or a blackout, mute an evacuation announcement or drive anything else that can hurt someone; local codes and licensed practice come first.

## Messages of several values
"""  # noqa: E501

RING_HEAD = """
The group is the word that a target's `messages` list uses.

### /prehowl/ring

The whole record, for a receiver that can take it.

- `id` is one ring through its states; it is 0 for a test alert only.
- `state` is `suspect` (early warning), `ringing` (alarm: the loop is at or near its limit), `howling` (alarm: runaway) or `cleared`.
- `time_ms` is the position in the stream of the last sample used, `onset_ms` is when the ring is believed to have begun. Both go on from 0 after 2147483647: take a difference modulo 2^31.
- `margin_db` below zero means that the loop gain is over the limit.
- `evidence` is text, `name=value` words separated by spaces; names that are not known yet are left out.
- `act` is who is on, `-` without a running order.
- **A figure that is not known yet is -9999**, integer or float, so that the type string is always the same. It is never NaN and never of type `N`, which many receivers refuse.
- `alert` is what the rings of one howl have in common on all channels that hear it, `lead` the channel that it belongs to; then the loop's microphone, mix and wedge, where they are known ([one-alert.md](one-alert.md)).

### /prehowl/alert

One howl on however many channels, for a receiver that should tell it once: count and announce where `announces` is 1.
`channel` is the channel that it belongs to; a later message of the same `id` may correct it and the names, and is no second alert.
`state` is the worst of its rings, `cleared` when all of them have.

### /prehowl/control

Whatever was asked of prehowl, by OSC, a key or the clock, is answered here, and what it did of itself to the analysis is told (`shed` by `load`, `rate` by `device`), to every receiver of the group `control`: a tablet can light a button when it is done, and say why when it is not.

### /prehowl/heartbeat

The heartbeat means *the analysis is alive*, not merely that the program runs: it stops when the audio loop has given no news for 2 seconds, and comes back with it.
A receiver that has heard no heartbeat for 3 seconds should show every channel as unknown, whatever it was told last.
`sequence` counts from 1 for each receiver and rises by one with each beat, so a gap is a lost datagram and a fall is a restart.

### /prehowl/health

`load` is the work for a second of sound in seconds (0.25: a quarter of one core; near 1 parts of it are left out, which `detail` says), `overflows` counts losses at the device, `dropped_blocks` blocks that prehowl threw away, `lost_samples` samples a channel known to be missing.
`detail` says in words what is wrong, and is empty when nothing is.

### Ranges
"""  # noqa: E501

FLAT_HEAD = """\
## Flat addresses

One value each, for controllers that map one address to one display or lamp.
They are sent in the order of the table, `state` last, so that whoever acts on the state has the figures already.
"""  # noqa: E501

AFTER_FLAT = """
`<n>` is the channel number from 1, to 256.
Frequencies and bands are 20 to 20000, `/cut` 0 to 15, `/growth` up to some thousands either way, texts up to 200 characters; 0 stands for a figure that is not known.
`/prehowl/worst/label`, `/frequency`, `/band`, `/growth`, `/cut` and `/state` are the same for the worst channel now: howling before ringing before suspect, then the fastest growth, then the loudest.
A channel with several rings shows its worst; each channel shows what itself hears, so that one howl shows on all that hear it.
`/prehowl/worst/...` is the worst alert, and its channel the one that the howl belongs to.
A channel that is held is never the worst, unless it howls.
The label of a suspect names the band only (`2.5 kHz`): it is to be watched, not yet to be pulled; its `/cut` tells already what would be advised.

- Groups: `channel` for `/prehowl/channel/...`, `worst` for `/prehowl/worst/...`, `act` for `/prehowl/act/...`, `ringout` for `/prehowl/ringout/...`.
- `/prehowl/ringout/...` is sent while `prehowl ringout` runs, by nothing else ([ringout-screen.md](ringout-screen.md)). While the input is away its `state` is 4, `label` is `-`, the figures but `step` are 0, and `text` says to send down: nobody would warn you. The same where more gain was to be asked for and the channel is silent; an instruction outlasts silence until it is answered.
- Simple controllers know no "unknown": the text of a calm channel is `-`.
- **Sent on change**: a value goes out when it differs from what this receiver was last told.
- **At the start** every channel is sent once, so a tablet left red by a broken run turns calm.
- **Repeated** every `repeat_s` seconds (5 unless the show file says otherwise; 0 for strictly on change), a fifth of the channels each second: UDP loses datagrams, Wi-Fi more than a few, and a tablet may join late. Set 0 where each message triggers a cue.
- **At a clean end** every channel is sent as calm once more, then `/prehowl/bye`. After a crash or a pulled cable there is no farewell; that is what the heartbeat is for.
- **A test alert** (`prehowl check --test-alert`) is a ring with id 0 whose channel name and label start with `TEST`, cleared after two seconds; a heartbeat and a bye go with it, and it goes through the mappings too: tell the lighting crew before.

## When a receiver is gone

Each receiver has its own thread and queue, so a dead tablet delays neither the detection nor the others.
Its name is looked up once, again after a failure, after 1, 2, 4 ... 30 seconds, and every minute behind a way that works, in case it has moved.
The dashboard and `prehowl check` say per target what is wrong: the name does not resolve, the network is unreachable, nothing listens on the port (as far as UDP can tell: many devices drop silently what they do not want), the connection was refused or is not read (TCP). A fault of prehowl's own is told there, too, and everything that it does not touch is still sent.
When it comes back it is told the present state of all channels; rings that it missed are not sent late.
What a receiver sends back on the way out is thrown away unread.
"""  # noqa: E501

MAPS = """\
## Mappings

A `[[maps]]` table in the show file turns rings into messages of any address, so that a device needs no glue code.
Worked examples: `configs/osc-tablet.toml`, `configs/osc-lighting.toml` (with its cautions), `configs/osc-text.toml`.
Every key is in [show-file.md](show-file.md#maps).

```toml
[[maps]]
address = "/row/{channel}/bar"
args = [{ type = "float", value = "{level_dbfs}", scale_from = [-60, 0], scale_to = [0, 1] }]
send = "while"
per = "channel"
rate_hz = 8
```

- **Filter**: `states`, `channels`, `kinds`, `acts`, `band_from_hz`, `band_to_hz`; a ring must pass all that are given.
- **One howl once**: a howl that many channels hear counts as one ring, on the channel that it belongs to; `channels` and `kinds` let it pass if that channel passes, or the mic or the mix that it names. With `each_channel = true` the ring of every channel counts.
- **Occasion**: `send` is `enter`, `leave`, `while` or `each`; `per` says whether that counts each ring, the rings of a channel, or those of the whole show. 'While' goes silent when the analysis hangs.
- **Each address by itself**: where the address has fields, every address that they give is entered and left on its own. When a ring's band, state or names change, the old address is left and the new one entered, and `leave` goes to the address that was entered: with `{state}` it is that of the state which is over. One lamp for each band or state wants `per = "show"`, one for each channel `per = "channel"`. Without fields, a correction of the names sends nothing again.
- **Types are stated, never guessed** from a value. A figure that is not known is `unknown` (0), in text a dash.
- **Rate**: at one address at most `at_most_hz` messages a second; of those that come too fast the latest wins. An 'on' or 'off' that had to wait is dropped if it is no longer true, so a lamp always ends right.
- **Bundles**: with `bundle = "time"` the time tag is the event's wall time plus `delay_ms`; messages of one moment share a bundle.
- Marks that an OSC address cannot hold become `_`.
- **At the end**, and when the show file is read again and a receiver is left out or gets other mappings, every mapping leaves what it holds, also while the ring lives; what waits for its rate is sent, then the goodbye. A receiver that stays with other mappings then enters the rings that live.
- A mapping that fails is named among the receivers on the dashboard; the others go on.

A field may have a short format, `{frequency_hz:.0f}`. In an address only `{channel}`, `{channel_name}`, `{kind}`, `{state}`, `{state_number}` and `{band_hz}` are possible.
"""  # noqa: E501

IN = f"""\
## OSC in

Nothing is received unless `[osc_in] port` is set, or `--osc-in PORT` is given.
It is heard by programs of the same computer only, unless `bind` says otherwise; then `allow` must list who may send.
Anyone on the list can move your running order: keep it short. An address in a UDP datagram can be forged by someone on the same network, so keep that network to yourselves.

- Types are strict: a message with other types than these is refused and counted. Patterns (`*`, `?`) are refused.
- *A button* takes no value or one of `i`, `f`, `T`, `F`; 0 or false is its release and does nothing (but ends a hold).
- Every byte is checked before it is used; at most {MOST_DATAGRAMS} datagrams a second, and {MOST_BYTES} bytes of them, are looked at, so that a flood takes less than a tenth of a core; {QUEUE_LENGTH} commands wait. Time tags are passed over: a message counts when it comes.
- What is refused changes counters and nothing else; the dashboard's last line but one shows them.
- What is done, and what could not be, is told in `/prehowl/control`, on the dashboard, and as a `control` record in the event stream ([events.md](events.md)).
- A hold from a button lasts {HOLD_S} s at most; it covers early warnings and ringing, never a howl.
"""  # noqa: E501

IN_END = """\
`verbs` in `[osc_in]` names those that are let in.
Measured: 1 000 000 random datagrams and 100 000 made by damaging valid ones, through the same path as the socket's: none of the random ones became a command; of the damaged ones 664 were whole again by chance and 237 were another valid verb (a channel number or a hold's length changed), which nobody could tell from a meant one; everything else changed counters only (`python -m prehowl.daemon.bench.osc_fuzz`, 7 s).

## Attached screens

`prehowl attach HOST` asks for a daemon's dashboard at the port of OSC in (9010 unless told) and is answered from there.
A subscription lasts as long as was asked and is renewed every second; at most 16 screens at once; a further one is told so each time it asks, and counts as refused.
A view leaves at most five times a second, the same packets for all; events leave at once, as `/prehowl/ring` and `/prehowl/control`. At the end comes `/prehowl/bye`.
A screen that hears nothing for 2.5 seconds says that the daemon is lost.
"""  # noqa: E501

END = """\
Source of the format: OSC 1.0 (Wright, 26 March 2002, opensoundcontrol.stanford.edu/spec-1_0.html), read in full; UTF-8 in strings goes beyond it, which asks for ASCII. Time tags: RFC 5905. SLIP: RFC 1055, as OSC 1.1 (Freed and Schmeder, NIME 2009; from memory) uses it.
"""  # noqa: E501
