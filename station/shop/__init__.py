"""Who and what a workshop has: people, tools and nests, instruments, standards, studies."""
