"""Sweeps: all the dives that [sweep] makes of a dive file."""
