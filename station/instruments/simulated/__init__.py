"""Simulated instruments: separate processes with physics, on pseudo-terminals."""
