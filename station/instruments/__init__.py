"""Serial instruments and the panel: ports, framing, profiles, drivers, simulators."""
