"""The certification of an apprentice."""
