"""Part values from captures: least squares, intervals, and what cannot be told apart."""
