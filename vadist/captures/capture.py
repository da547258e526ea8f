"""What a bench recording is once it is understood, and what a person may say about it first."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from vadist.errors import CaptureError
from vadist.measure.records import FloatArray
from vadist.names import nearest


@dataclass(frozen=True)
class Passage:
    """A part of a stimulus that holds a steady tone or is silent.

    Attributes
    ----------
    kind : str
        ``tone``, ``silence`` or ``signal``.
    start_s, duration_s : float
        Within the stimulus.
    frequency_hz, level_v : float or None
        Of a tone; peak volts.
    """

    kind: str
    start_s: float
    duration_s: float
    frequency_hz: float | None = None
    level_v: float | None = None


@dataclass(frozen=True)
class Capture:
    """Evenly sampled volts of one or more channels.

    Attributes
    ----------
    name : str
        Where it came from, for messages.
    sample_rate_hz : float
    channels : tuple of str
    volts : (frames, channels)
    start_s : float
        Time of the first sample as the file tells it; 0 if it does not.
    notes : tuple of str
        What was understood, and what was mended, a line each.
    passages : tuple of Passage
        Known of a stimulus with a sidecar; empty for a capture.
    rails : tuple of str
        For each channel, where the recording itself clipped it; empty text if it did not.
    """

    name: str
    sample_rate_hz: float
    channels: tuple[str, ...]
    volts: FloatArray
    start_s: float = 0.0
    notes: tuple[str, ...] = ()
    passages: tuple[Passage, ...] = ()
    rails: tuple[str, ...] = ()

    @property
    def seconds(self) -> float:
        """Duration."""
        return len(self.volts) / self.sample_rate_hz

    def find(self, channel: str) -> int:
        """Index of a channel given by its name or by its number, counted from 1.

        Raises
        ------
        CaptureError
            With the nearest name.
        """
        names = [name.lower() for name in self.channels]
        if channel.lower() in names:
            return names.index(channel.lower())
        if channel.isdigit() and 1 <= int(channel) <= len(names):
            return int(channel) - 1
        hint = nearest(channel, self.channels) or f"; there are {', '.join(self.channels)}"
        raise CaptureError(f"{self.name}: no channel {channel!r}{hint}")

    def pick(self, channel: str, *, allow_clipped: bool = False) -> FloatArray:
        """Volts of a channel that is to be compared, (frames,).

        Raises
        ------
        CaptureError
            If there is none of that name, or the recording clipped it.
        """
        k = self.find(channel)
        rail = self.rails[k] if self.rails else ""
        if rail and not allow_clipped:
            raise CaptureError(
                f"{self.name}: {self.channels[k]} is clipped at {rail} by the recording; lower "
                "the sensitivity and record again, or state --allow-clipped if the circuit itself "
                "is that flat"
            )
        return np.ascontiguousarray(self.volts[:, k])

    def noted(self, *notes: str) -> "Capture":
        """Return it with more notes."""
        return replace(self, notes=(*self.notes, *notes))


@dataclass(frozen=True)
class Reading:
    """What a person states about a file; None and empty leave it to the file.

    Attributes
    ----------
    full_scale_v : float or None
        Peak volts of a full-scale sample; audio files need it.
    sample_rate_hz : float or None
        Overrides the time column.
    units : tuple of str
        Unit of every column in order, such as ``("s", "V", "mV")``; of a NumPy array too.
    delimiter, decimal : str
        ``,`` ``;`` tab or space; ``.`` or ``,``.
    probe : mapping of channel -> factor
        What the volts of a channel are multiplied by: 10 for a 10x probe on an oscilloscope set
        to 1x. The empty name stands for every channel.
    offset_v : mapping of channel -> volts
        Taken off after the probe factor; named likewise.
    """

    full_scale_v: float | None = None
    sample_rate_hz: float | None = None
    units: tuple[str, ...] = ()
    delimiter: str = ""
    decimal: str = ""
    probe: Mapping[str, float] = field(default_factory=dict)
    offset_v: Mapping[str, float] = field(default_factory=dict)


def scaled(capture: Capture, reading: Reading) -> Capture:
    """Apply probe factors and offsets, and tell them."""
    volts, notes = capture.volts.copy(), []
    for what, table in (("probe", reading.probe), ("offset", reading.offset_v)):
        for name, number in table.items():
            here = [capture.find(name)] if name else list(range(len(capture.channels)))
            if what == "probe":
                volts[:, here] *= number
                notes.append(f"{name or 'every channel'}: times {number:g} for the probe")
            else:
                volts[:, here] -= number
                notes.append(f"{name or 'every channel'}: {number:g} V taken off")
    return replace(capture, volts=np.ascontiguousarray(volts)).noted(*notes)
