"""Simulated instruments and an invented workshop; nothing of the station needs them."""
