"""One sample from clip-on to its entry, and the threads around it."""
