"""Measurements on plain arrays: distortion, aliases, loudness, peaks, errors, spectra.

Every function takes samples along the first axis and a sample rate in hertz. What needs SciPy,
pyloudnorm or soxr imports it when called, so this package imports as fast as NumPy does.
"""

from vadist.measure.alias import alias_power_db, coherent_frequency
from vadist.measure.bands import (
    ThirdOctaves,
    band_change_db,
    spectral_centroid_hz,
    third_octave_levels,
)
from vadist.measure.error_metric import (
    PRE_EMPHASIS,
    dc_error_ratio_db,
    error_to_signal_ratio_db,
    null_depth_db,
)
from vadist.measure.harmonics import (
    Harmonics,
    harmonics,
    thd_fundamental,
    thd_plus_noise,
    thd_rms,
    without_harmonics_above,
)
from vadist.measure.intermodulation import (
    DIN_250_8000,
    SMPTE_DIN,
    TWIN_TONE,
    Intermodulation,
    Product,
    TonePair,
    difference_percent,
    intermodulation,
    modulation_percent,
    total_percent,
)
from vadist.measure.loudness import LoudnessMeter, integrated_loudness
from vadist.measure.records import AUDIO_BAND_HZ
from vadist.measure.sine_fit import SineFit, fit_sines
from vadist.measure.sweep import (
    HarmonicResponses,
    SynchronisedSweep,
    harmonic_responses,
    synchronised_sweep,
)
from vadist.measure.true_peak import true_peak_dbtp

__all__ = [
    "AUDIO_BAND_HZ",
    "DIN_250_8000",
    "PRE_EMPHASIS",
    "SMPTE_DIN",
    "TWIN_TONE",
    "HarmonicResponses",
    "Harmonics",
    "Intermodulation",
    "LoudnessMeter",
    "Product",
    "SineFit",
    "SynchronisedSweep",
    "ThirdOctaves",
    "TonePair",
    "alias_power_db",
    "band_change_db",
    "coherent_frequency",
    "dc_error_ratio_db",
    "difference_percent",
    "error_to_signal_ratio_db",
    "fit_sines",
    "harmonic_responses",
    "harmonics",
    "integrated_loudness",
    "intermodulation",
    "modulation_percent",
    "null_depth_db",
    "spectral_centroid_hz",
    "synchronised_sweep",
    "thd_fundamental",
    "thd_plus_noise",
    "thd_rms",
    "third_octave_levels",
    "total_percent",
    "true_peak_dbtp",
    "without_harmonics_above",
]
