"""A recorded ladder: deconvolution, windows, and the harmonics of every rung."""
