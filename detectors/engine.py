"""Joins the parts: blocks in, ring changes out."""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prehowl.detectors import lingering
from prehowl.detectors.background import RUNG_S, Background
from prehowl.detectors.bands import band_index
from prehowl.detectors.belief import TREES, suspicion_of
from prehowl.detectors.designs import DESIGNS, Design
from prehowl.detectors.frame import Frame
from prehowl.detectors.framing import SampleMemory, quantum_length
from prehowl.detectors.known_places import KnownPlaces
from prehowl.detectors.lone_tone import FULL_SCALE_DBFS
from prehowl.detectors.resolution import Resolution, judge
from prehowl.detectors.rings import ALARMS, RingChange, RingState
from prehowl.detectors.spectrum import Spectra, to_dbfs
from prehowl.detectors.tracker import ChannelSetup, RingTracker
from prehowl.detectors.tracks import Now
from prehowl.detectors.trees import Trees
from prehowl.detectors.verdict import Verdict

LEVEL_MEMORY_S = 0.1
SUSPICION_MEMORY_S = 0.4
FULL_SCALE = np.float32(10 ** (FULL_SCALE_DBFS / 20))

__all__ = ["ChannelSetup", "Engine", "EngineView"]


@dataclass(frozen=True, slots=True)
class EngineView:
    """The state of things now, for screens."""

    level_dbfs: NDArray[np.float32]  # (channels,) RMS over about 0.1 s; full-scale sine = 0
    peak_dbfs: NDArray[np.float32]  # (channels,) sample peak, falling back by the same memory
    suspicion: NDArray[np.float32]  # (channels, 31) 0..1; 1 = alarm


class Engine:
    """Find rings in a stream of samples; the same changes for the same samples, any block size.

    Parameters
    ----------
    rate_hz : int
        8 000 to 192 000.
    channels : sequence of ChannelSetup
        One for each channel, in order.
    trees : Trees
        By which evidence is weighed; others only while they are being fitted.

    Raises
    ------
    ValueError
        If the rate is out of range or there is no channel.
    """

    def __init__(
        self, rate_hz: int, channels: Sequence[ChannelSetup], *, trees: Trees = TREES
    ) -> None:
        if not channels:
            raise ValueError("no channels: the engine needs at least one")
        self.rate_hz = rate_hz
        self.channels = len(channels)
        self.quantum = quantum_length(rate_hz)
        self._is_reference = np.array([setup.is_reference for setup in channels], bool)
        self._trees = trees
        self._background = Background()
        self.resolutions = tuple(self._resolution(design) for design in DESIGNS)
        self._ask_surveys()
        self._designs = tuple(resolution.design for resolution in self.resolutions)
        self._heard = [slice(None)]  # stretches of channels
        reach = max(resolution.reach for resolution in self.resolutions)
        self._memory = SampleMemory(self.channels, reach, self.quantum)
        self._sensitivity = _sensitivities(channels)
        self._tracker = RingTracker(channels, rate_hz)
        self._known = KnownPlaces(self.channels)
        self._learn_places(channels)
        self._tick = 0
        self._rung_samples = round(RUNG_S * rate_hz)
        self._mean_square = np.zeros(self.channels, np.float32)
        self._peak = np.zeros(self.channels, np.float32)
        self._suspicion = np.zeros((self.channels, 31), np.float32)

    def feed(self, block: ArrayLike) -> list[RingChange]:
        """Consume samples and return the changes that they caused, in order of sample.

        Parameters
        ----------
        block : array, shape (samples, channels)
            Full scale = 1, finite; any number of samples, also none.

        Raises
        ------
        ValueError
            If the block has another shape or holds NaN or Inf.
        """
        samples = np.asarray(block, np.float32)
        if samples.ndim != 2 or samples.shape[1] != self.channels:
            raise ValueError(
                f"a block has shape {samples.shape}, the engine wants (samples, {self.channels})"
            )
        # Looked through only where their energy is no number: that is told in a third of the time.
        if not np.isfinite(np.vdot(samples, samples)) and not np.isfinite(samples).all():
            raise ValueError("a block holds NaN or Inf; replace such samples before analysis")
        changes: list[RingChange] = []
        for latest in self._ticks(samples):
            self._measure_levels(latest[:, -self.quantum :])
            self._background.forget_rings(self._tick * self.quantum - self._rung_samples)
            glances = [own.glance(spectra) for own, spectra in self._spectra(latest)]
            for glance, verdict in zip(glances, judge(glances), strict=True):
                changes += self._look(glance.resolution, glance.now, verdict)
            for resolution in self._idle():
                resolution.catch_up()
        return changes

    def set_up(self, channels: Sequence[ChannelSetup]) -> None:
        """Go on with other setups of the same channels; what rings goes on ringing.

        Raises
        ------
        ValueError
            If there are more or fewer channels, or others are references: that needs an engine
            of its own.
        """
        references = [setup.is_reference for setup in channels]
        if references != self._is_reference.tolist():
            raise ValueError("other channels or references: make another engine")
        self._sensitivity = _sensitivities(channels)
        self._tracker.set_up(channels)
        self._learn_places(channels)

    def leave_out(self, names: Collection[str] = (), *, references: bool = False) -> None:
        """Do without a part of the analysis from now on; all that is not named is (again) done.

        Rings that are followed stay, as long as a resolution is left that sees their frequency.

        Parameters
        ----------
        names : collection of str
            Resolutions, by the names of their designs; one at least must be left. One that is
            taken up again listens until its memory is full, and only then judges.
        references : bool
            Whether reference channels are left out, too: music is then not known by them.

        Raises
        ------
        ValueError
            If nothing would be left.
        """
        left = [design for design in self._designs if design.name not in names]
        if not left:
            raise ValueError(f"no resolution is left without {', '.join(sorted(names))}")
        known = {resolution.design: resolution for resolution in self.resolutions}
        heard = (
            _stretches(~self._is_reference)
            if references and self._is_reference.any()
            else [slice(None)]
        )
        is_new = heard != self._heard
        self._heard = heard
        for design in left:
            is_back = design not in known
            if is_back:
                known[design] = self._resolution(design, ticks_before=self._tick)
            if is_back or is_new:
                known[design].hear_only(heard)
        self.resolutions = tuple(known[design] for design in left)
        self._ask_surveys()

    def _ask_surveys(self) -> None:
        """Let the background answer from those resolutions that are there."""
        self._background.listen_to(
            (own.bin_hz, own.survey) for own in self.resolutions if own.survey is not None
        )

    def _resolution(self, design: Design, *, ticks_before: int | None = None) -> Resolution:
        return Resolution(
            design,
            self.channels,
            self.rate_hz,
            self.quantum,
            self._is_reference,
            self._background,
            self._trees,
            ticks_before=ticks_before,
        )

    def spectra(self, block: NDArray[np.float32]) -> Iterator[tuple[int, Resolution, Spectra]]:
        """Yield tick, resolution and its new spectra, without judging.

        For the bench, which looks at what the resolutions see. An engine is either fed or used
        so, not both.
        """
        for latest in self._ticks(block):
            for resolution, spectra in self._spectra(latest):
                yield self._tick, resolution, spectra
            for resolution in self._idle():
                resolution.take_in()

    def finish(self) -> list[RingChange]:
        """End the stream: clear what still rings."""
        return self._tracker.finish(self._tick * self.quantum)

    def view(self) -> EngineView:
        """Return levels and suspicion now."""
        table = np.minimum(self._suspicion, 1)
        for ring in self._tracker.rings:
            if ring.state in ALARMS:
                table[ring.ch, band_index(ring.frequency_hz)] = 1
        return EngineView(to_dbfs(2 * self._mean_square), to_dbfs(self._peak**2), table)

    def _ticks(self, samples: NDArray[np.float32]) -> Iterator[NDArray[np.float32]]:
        for latest in self._memory.ticks(samples):
            self._tick += 1
            yield latest

    def _spectra(self, latest: NDArray[np.float32]) -> Iterator[tuple[Resolution, Spectra]]:
        for resolution in self.resolutions:
            if resolution.due(self._tick):
                yield resolution, resolution.spectra(latest)

    def _idle(self) -> Iterator[Resolution]:
        return (own for own in self.resolutions if not own.due(self._tick))

    def _look(self, resolution: Resolution, now: Now, verdict: Verdict) -> list[RingChange]:
        lines = resolution.lingering()
        # Who asks for fewer false alarms plays what stands: drones, test tones.
        lone = resolution.standing(now, self._peak >= FULL_SCALE, self._sensitivity >= 1)
        is_news = len(verdict.ch) or lines is not None or lone is not None
        if not is_news and not self._tracker.is_busy:
            return []
        suspicion = suspicion_of(verdict.belief, self._sensitivity_at(verdict, now))
        if lines is not None:
            of_lines = lingering.suspicion_of(lines.belief, self._sensitivity_at(lines, now))
            suspicion, verdict = np.append(suspicion, of_lines), verdict.and_also(lines)
        if lone is not None:
            suspicion = np.append(suspicion, lone.suspicion)
            verdict = verdict.and_also(lone.verdict)
        np.maximum.at(self._suspicion, (verdict.ch, resolution.band[verdict.bin]), suspicion)
        changes = self._tracker.see(
            Frame(
                now,
                resolution.memory,
                verdict,
                suspicion,
                resolution.lowest_hz,
                resolution.highest_hz,
                self._tick * self.quantum,
                self.rate_hz,
            )
        )
        self._note_rings(changes)
        return changes

    def _sensitivity_at(self, verdict: Verdict, now: Now) -> NDArray[np.float32]:
        """Return the sensitivity at each place: its channel's, and more where that has rung."""
        likelier = self._known.likelier(verdict.ch, verdict.place * now.bin_hz)
        return np.asarray(self._sensitivity[verdict.ch] * likelier)

    def _learn_places(self, channels: Sequence[ChannelSetup]) -> None:
        for ch, setup in enumerate(channels):
            self._known.tell(ch, setup.rang_hz)

    def _note_rings(self, changes: Sequence[RingChange]) -> None:
        """Remember new alarms: what was there before each, and where it rang."""
        alarmed = {change.id for change in changes if change.state is RingState.RINGING}
        for ring in self._tracker.rings if alarmed else ():
            if ring.id in alarmed:
                self._background.note_ring(ring)
                self._known.add(ring.ch, ring.frequency_hz)

    def _measure_levels(self, newest: NDArray[np.float32]) -> None:
        keep = np.float32(np.exp(-self.quantum / (LEVEL_MEMORY_S * self.rate_hz)))
        mean_square = np.einsum("ij,ij->i", newest, newest) / newest.shape[1]
        self._mean_square += (1 - keep) * (mean_square - self._mean_square)
        peak = np.maximum(newest.max(axis=1), -newest.min(axis=1))
        self._peak = np.maximum(peak, self._peak * keep)
        self._suspicion *= np.float32(np.exp(-self.quantum / (SUSPICION_MEMORY_S * self.rate_hz)))


def _sensitivities(channels: Sequence[ChannelSetup]) -> NDArray[np.float32]:
    return np.array([setup.sensitivity for setup in channels], np.float32)


def _stretches(which: NDArray[np.bool_]) -> list[slice]:
    """Return the runs of true values; slices, since picking single channels costs a copy."""
    edges = np.flatnonzero(np.diff(which, prepend=False, append=False))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
