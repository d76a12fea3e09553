"""The daily check of a nest."""
