"""Footswitch, guard contact and lamps."""
