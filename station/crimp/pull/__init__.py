"""A pull: its trace reduced to a peak, what happened on the way and how the sample let go."""
