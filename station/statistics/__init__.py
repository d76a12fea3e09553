"""Statistics over many samples: pure functions on numpy arrays."""
