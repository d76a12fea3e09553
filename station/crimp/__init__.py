"""The physics and the judgement of a crimp: wire, connector, limits, resistance, pull, verdict."""
