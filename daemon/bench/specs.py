"""What a closed-loop case is to be: kind, programme, tap, growth, frequency, drawn from a seed."""

from dataclasses import dataclass

import numpy as np

from prehowl.daemon.bench import material
from prehowl.daemon.bench.material import Excerpt
from prehowl.daemon.bench.paths import LARGEST_EXCESS_DB, has_rooms

KIND_SHARE = {
    "ramp": 0.18,  # the engineer, or the desk, brings the gain up slowly
    "step": 0.24,  # somebody asks for more and gets it at once
    "cupped": 0.10,  # a hand closes round the microphone: another path
    "lowered": 0.08,  # the microphone comes down towards the wedge
    "marginal": 0.14,  # held 0.3 to 2.5 dB under the limit: tails, no howl
    "pulled": 0.10,  # a howl, then the gain is pulled down
    "two": 0.06,  # two bands pass the limit together
    "limited": 0.05,  # an amplifier's limiter holds the howl at about the programme's level
    "cut": 0.05,  # the engineer cuts the band while it rings
}
"""Kind and its share of the cases."""

MARGIN_DB = {"marginal": (0.3, 2.5), "held": (0.0, 0.3)}
"""How far under the limit a loop is held, by kind. What is held at its limit rings on and on; it is
no case of a run (`bench protocol` has such loops), only of the fit of lines that linger."""

PROGRAMMES = {
    "speech": ("speech",),
    "singing": ("sung-vibrato", "sung-straight"),
    "band": ("music", "sampled"),
    "quiet": ("noise",),
}
"""Programme and the families or groups that it is drawn from."""

QUIETEST_HZ, HIGHEST_HZ = 60.0, 14000.0
SLOWEST, FASTEST = 5.0, 800.0
LENGTHS_S = (9.0, 14.0, 20.0)


@dataclass(frozen=True, slots=True)
class Spec:
    """One case before anything is computed."""

    number: int
    split: str
    kind: str
    shape: str  # of the path
    programme: str
    tap: str  # mic or mix
    ring_hz: float  # wanted
    growth_db_per_s: float  # wanted
    level_dbfs: float  # of the programme at the tap
    seconds: float
    seed: int

    @property
    def is_held(self) -> bool:
        """Tell whether the loop is held at its limit or under it: nothing takes over."""
        return self.kind in MARGIN_DB

    @property
    def name(self) -> str:
        """Name the case so that it can be made again: number and what it is."""
        return f"{self.split}-{self.number:04d}-{self.kind}-{self.programme}-{self.tap}"


def draw_specs(split: str, cases: int, seed: int) -> list[Spec]:
    """Draw the cases of a run: the kinds in their shares, all else at random.

    Case number k is the same whatever the number of cases.
    """
    return [_draw(split, number, seed) for number in range(cases)]


def _draw(split: str, number: int, seed: int) -> Spec:
    own = material.seed_of("case", split, seed, number)
    rng = np.random.default_rng(own)
    # A low-discrepancy walk through the kinds: any run of cases holds about their shares.
    place = (number * 0.6180339887 + seed * 0.37) % 1.0
    kind = list(KIND_SHARE)[int(np.searchsorted(np.cumsum(list(KIND_SHARE.values())), place))]
    programme = str(rng.choice(list(PROGRAMMES), p=[0.3, 0.25, 0.3, 0.15]))
    ring_hz = float(np.exp(rng.uniform(np.log(QUIETEST_HZ), np.log(HIGHEST_HZ))))
    growth = _growth(rng, kind, ring_hz)
    quiet = programme == "quiet"
    return Spec(
        number=number,
        split=split,
        kind=kind,
        shape=_shape(rng),
        programme=programme,
        tap=str(rng.choice(["mic", "mix"])),
        ring_hz=ring_hz,
        growth_db_per_s=growth,
        level_dbfs=float(rng.uniform(-60, -45) if quiet else rng.uniform(-40, -10)),
        seconds=_seconds(kind, growth),
        seed=own % 2**32,
    )


def _shape(rng: np.random.Generator) -> str:
    """Draw a shape of path: half of them resonances; echoes stand in where rooms cannot be made."""
    shape = str(rng.choice(["resonance", "resonance", "echoes", "room"]))
    return "echoes" if shape == "room" and not has_rooms() else shape


def _growth(rng: np.random.Generator, kind: str, ring_hz: float) -> float:
    """Draw a growth that a believable excess can bring about: long loops grow slowly."""
    lowest = 25.0 if kind in ("pulled", "cut", "limited", "two") else SLOWEST
    shortest_delay_s = 0.006 + 1.5 / ring_hz
    highest = max(lowest, min(FASTEST, 0.8 * LARGEST_EXCESS_DB / shortest_delay_s))
    return float(np.exp(rng.uniform(np.log(lowest), np.log(highest))))


def _seconds(kind: str, growth_db_per_s: float) -> float:
    """Choose a length that leaves room for the lead-in, a rise of 60 dB and what follows."""
    ahead = 5.0 if kind in ("ramp", "lowered") else 4.0
    after = 3.0 if kind in ("pulled", "cut") else 1.0
    needed = ahead + (4.0 if kind == "marginal" else 60 / growth_db_per_s) + after
    return next((length for length in LENGTHS_S if length >= needed), LENGTHS_S[-1])


def programme_excerpt(spec: Spec, level_dbfs: float) -> Excerpt:
    """Choose the stretch of howl-free sound that a case's microphone hears.

    Raises
    ------
    LookupError
        If nothing of these families is installed.
    """
    rng = np.random.default_rng(spec.seed + 1)
    choice = material.pieces(spec.split, PROGRAMMES[spec.programme])
    families = sorted({piece.family for piece in choice})
    if not families:
        raise LookupError(
            f"no howl-free material for {spec.programme!r} programme; "
            "install the packages of .ci/apt-packages"
        )
    family = str(rng.choice(families))
    long = [p for p in choice if p.family == family and p.duration_s > spec.seconds]
    members = long or [p for p in choice if p.family == family]
    piece = members[int(rng.integers(len(members)))]
    latest = max(0.0, piece.duration_s - spec.seconds)
    start_s = round(float(rng.uniform(0, latest)), 2)
    return Excerpt(piece, start_s, spec.seconds, level_dbfs, int(rng.integers(2**31)))
