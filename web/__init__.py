"""The bench's page, served by Flask."""
