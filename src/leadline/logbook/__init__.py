"""Dives as they were dived: kept, brought in, given out, and compared with their plans."""
