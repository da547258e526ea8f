"""Names for the kinds of arrays that the package hands about."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
"""Volts, amperes, coefficients: real numbers, SI units."""

ComplexArray = NDArray[np.complex128]
"""Responses and spectra."""

IndexArray = NDArray[np.int_]
"""Places in another array, lanes and frames among them."""

BoolArray = NDArray[np.bool_]
"""Which of another array's entries something holds of."""
