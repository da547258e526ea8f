"""Pictures of every block on a walk: on the scope, its harmonics, its gain, its transfer curve."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from vadist.analysis.chain_response import solve_design
from vadist.audition.page.spectra import spectrum_levels
from vadist.inspection.figures import Block, Inspection
from vadist.inspection.words import hertz, volts
from vadist.large_signal.steady_sine import SOURCE, steady_sines
from vadist.plots import block as drawn
from vadist.plots.bode import stage_curves
from vadist.plots.signals import CURVE_HZ, TransferCurves, transfer_curves
from vadist.plots.style import look
from vadist.walks.moments import Moment
from vadist.walks.sounds import Sounds

_PERIODS = 2


@dataclass(frozen=True)
class Picture:
    """A picture.

    Attributes
    ----------
    title : str
    about : str
        What it shows, also for those who do not see it.
    svg : str
    """

    title: str
    about: str
    svg: str


class Gallery:
    """Draws blocks from an inspection and the sounds of a take.

    Parameters
    ----------
    found : Inspection
    moments : mapping of stage -> Moment
        Empty without a take.
    sounds : Sounds or None
    """

    def __init__(
        self, found: Inspection, moments: Mapping[str, Moment], sounds: Sounds | None
    ) -> None:
        self.found, self.moments, self.sounds = found, moments, sounds
        solved = solve_design(found.design)
        self._sines = steady_sines(solved, found.frequency_hz, [found.picture_level_v])
        self._gains = stage_curves(found.design)
        self._transfers = transfer_curves(solved, found.ladder)
        self._spectra = []
        if sounds is not None:
            rate = sounds.sample_rate_hz
            self._spectra = [spectrum_levels(track.volts, rate) for track in sounds.path]

    def traces(self, number: int) -> list[Picture]:
        """What a scope shows at the block of a number: of the sine, and of the take."""
        block = self.found.blocks[number]
        with look():
            shown = [self._sine(block, self._before(number))]
            if block.name in self.moments:
                shown.append(self._take(block, self.moments[block.name]))
        return shown

    def pictures(self, number: int) -> list[Picture]:
        """What else is drawn of the block of a number."""
        block = self.found.blocks[number]
        with look():
            shown = [self._lines(block, self._before(number))]
            if self._spectra:
                shown.append(self._bands(number))
            shown.append(self._gain(block))
            if self._transfers is not None and block.name in self._transfers.stages:
                shown.append(self._transfer(self._transfers, block))
        return shown

    def _before(self, number: int) -> str:
        return SOURCE if number == 0 else self.found.blocks[number - 1].name

    def _gain(self, block: Block) -> Picture:
        curves = self._gains[block.name]
        turned = ", at positions of the knob that moves it" if len(curves) > 1 else ""
        drawing = drawn.svg_text(drawn.gain_figure(curves))
        return Picture("Gain", f"Output over input, loaded as it is{turned}.", drawing)

    def _transfer(self, curves: TransferCurves, block: Block) -> Picture:
        past = volts(curves.past_v[block.name])
        return Picture(
            "Transfer curve",
            f"Output against input at {hertz(CURVE_HZ)}, {past} into the board; thin: where it "
            "begins to limit; dotted: as for a small signal.",
            drawn.svg_text(drawn.curve_figure(curves, block.name)),
        )

    def ladder(self) -> Picture | None:
        """The headroom ladder; None if nothing limits."""
        with look():
            figure = drawn.ladder_picture(self.found)
            if figure is None:
                return None
            return Picture(
                "Headroom",
                "Input level from which each block limits, as set and with the drive turned down.",
                drawn.svg_text(figure),
            )

    @property
    def _note(self) -> str:
        found = self.found
        return f"{hertz(found.frequency_hz)}, {volts(found.picture_level_v)} peak into the board"

    def _sine(self, block: Block, before: str) -> Picture:
        into, out = (
            np.tile(self._sines.volts[place][:, 0], _PERIODS) for place in (before, block.name)
        )
        period_ms = 1e3 / self.found.frequency_hz
        time = np.arange(len(out)) * (_PERIODS * period_ms / len(out))
        return Picture(
            "A sine, before and after",
            f"{self._note}; dotted: rest, dashed: how far the device behind it can swing.",
            self._traces(time, into, out, block),
        )

    def _take(self, block: Block, moment: Moment) -> Picture:
        where = f"{moment.start_s:.3f} s to {moment.stop_s:.3f} s of the take"
        return Picture(
            "The take, before and after", f"{where}; sharp edges ring as they do in any recording.",
            self._traces(moment.time_ms, moment.before, moment.after, block),
        )  # fmt: skip

    def _traces(self, time_ms: Any, into: Any, out: Any, block: Block) -> str:
        rest = block.resting
        figure = drawn.trace_figure(time_ms, into, out, rest.output_v, rest.limits_v or ())
        return drawn.svg_text(figure)

    def _lines(self, block: Block, before: str) -> Picture:
        into, out = (np.abs(self._sines.spectrum(place)[:, 0]) for place in (before, block.name))
        figure = drawn.lines_figure(self._sines.orders.astype(float), into, out)
        return Picture(
            "Harmonics of the sine",
            f"{self._note}; each against its own fundamental.",
            drawn.svg_text(figure),
        )

    def _bands(self, number: int) -> Picture:
        into, out = self._spectra[number : number + 2]
        figure = drawn.bands_figure(into.frequencies_hz, into.levels_db, out.levels_db)
        return Picture(
            "Spectrum of the take", "Before and after, at their true levels.",
            drawn.svg_text(figure),
        )  # fmt: skip
