"""The planning."""
