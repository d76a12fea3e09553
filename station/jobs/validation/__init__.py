"""The validation of a tool."""
