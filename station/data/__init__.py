"""Facts as data files: limit sets, connectors, plans; each with its source and standing."""
