"""Which stimulus would tell apart what a capture could not."""

from dataclasses import dataclass

import numpy as np

from vadist.captures.check import CheckSettings
from vadist.captures.excitation import answers, excite
from vadist.captures.stimulus import Stimulus, make_stimulus
from vadist.captures.waveform import grid_times
from vadist.designs.design import Design
from vadist.errors import VadistError
from vadist.fitting.fit import FitReport
from vadist.fitting.statistics import unseen_directions
from vadist.measure.records import FloatArray

_STEP = 1e-3
_LEVELS = (0.3, 1.0, 5.0)
# Of the peak that the capture was driven with: quieter, alike, louder.

_KINDS = (("sweep", 0.12), ("square", 0.1), ("level-ramp", 0.12))
# Kind and seconds that are rendered to find out; at the bench they may last longer.


@dataclass(frozen=True)
class Suggestion:
    """A stimulus and what it would leave undetermined.

    Attributes
    ----------
    kind : str
    peak_v : float
    remaining : int
        Combinations still unseen with it beside the capture at hand; 0 is what one wants.
    """

    kind: str
    peak_v: float
    remaining: int

    def command(self) -> str:
        """How to make it."""
        return f"vadist stimulus {self.kind} --peak {self.peak_v * 1e3:.3g}mV --out {self.kind}.wav"


def suggest_stimulus(
    report: FitReport, drive_peak_v: float, settings: CheckSettings | None = None
) -> Suggestion | None:
    """Find the stimulus that leaves the fewest combinations unseen, by rendering each.

    Parameters
    ----------
    report : FitReport
        With something unseen.
    drive_peak_v : float
        Peak of what the capture was driven with.
    settings : CheckSettings, optional

    Returns
    -------
    Suggestion or None
        None if none of them shows more than the capture does: the values only act together at
        this output, and one must be measured by itself.
    """
    settings = settings or CheckSettings()
    paths = [e.free.path for e in report.estimates]
    best: Suggestion | None = None
    for kind, seconds in _KINDS:
        for level in _LEVELS:
            peak_v = level * drive_peak_v
            try:
                stimulus = make_stimulus(kind, peak_v=peak_v, seconds=seconds)
                jacobian = _jacobian(report, stimulus, settings)
            except VadistError:
                continue
            both = np.concatenate([report.jacobian, jacobian])
            unseen, _ = unseen_directions(both, paths, report.noise, report.confidence)
            if best is None or len(unseen) < best.remaining:
                best = Suggestion(kind, peak_v, len(unseen))
    return best if best is not None and best.remaining < len(report.unseen) else None


def _jacobian(report: FitReport, stimulus: Stimulus, settings: CheckSettings) -> FloatArray:
    source = stimulus.capture()
    top_hz = min(settings.band_hz, 20_000.0)
    excitation = excite(source, "stimulus", top_hz, same_record=False, needed_s=source.seconds)
    designs: list[Design] = [report.design]
    steps = []
    for e in report.estimates:
        place = e.free.to_scale(e.value)
        steps.append(-_STEP if place + _STEP > e.free.to_scale(e.free.high) else _STEP)
        designs.append(e.free.put(report.design, e.free.from_scale(place + steps[-1])))
    found = answers(
        designs, excitation, top_hz, oversample=settings.oversample,
        ac_corner_hz=settings.ac_corner_hz,
    )  # fmt: skip
    time_s = grid_times(found[0].wave.seconds, top_hz)
    base = found[0].wave.at(time_s)
    columns = [(a.wave.at(time_s) - base) / h for a, h in zip(found[1:], steps, strict=True)]
    jacobian = np.stack(columns, axis=1)
    tangents = np.stack([base, found[0].wave.slope_at(time_s), np.ones(len(time_s))], axis=1)
    basis, _ = np.linalg.qr(tangents / np.maximum(np.linalg.norm(tangents, axis=0), 1e-300))
    return np.asarray(jacobian - basis @ (basis.T @ jacobian))
