"""Made sounds that look like a howl and are none: the families that tempt a detector.

Every maker takes a seeded generator, a length and a rate, and returns mono float32 samples, not
yet levelled. They exaggerate on purpose: pads without any wander, tones that switch on at full
level, swells that rise straight in decibels.
"""

from prehowl.daemon.bench import staged
from prehowl.daemon.bench.nuisance import house, indistinct, instruments, swells, voices
from prehowl.daemon.bench.nuisance.shapes import Maker

NUISANCES: dict[str, Maker] = {
    "sung-straight": voices.sung_straight,
    "sung-vibrato": voices.sung_vibrato,
    "flute": voices.flute,
    "whistle": voices.whistle,
    "organ": instruments.organ,
    "synth-pad": instruments.synth_pad,
    "bells": instruments.bells,
    "guitar-sustain": instruments.guitar_sustain,
    "drums": instruments.drums,
    "hum": house.hum,
    "line-up": house.lineup,
    "pilot": house.pilot,
    "sweeps": house.sweeps,
    "applause": house.applause,
    "clipping": house.clipping,
    "noise": house.noise,
    "stage-voices": staged.voices,
    "stage-band": staged.whole_band,
    "tremolo": swells.tremolo,
    "harmonic-swell": swells.harmonic_swell,
    "crossfade": swells.crossfade,
    "volume-pedal": swells.volume_pedal,
    "whistle-swell": swells.whistle_swell,
    "theremin": swells.theremin,
    "fader-hum": swells.fader_hum,
}
"""Family name and its maker: families that one microphone can tell from a howl."""

INDISTINCT: dict[str, Maker] = {
    "pure-swell": indistinct.pure_swell,
    "hum-line-swell": indistinct.hum_line_swell,
    "pure-pad": indistinct.pure_pad,
}
"""Families that it cannot, for the reasons given there; in no total of the others."""

MAKERS: dict[str, Maker] = NUISANCES | INDISTINCT
