"""An invented workshop: its people, tools and months of samples. Nothing in it is a measurement."""
