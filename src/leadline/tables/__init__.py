"""Table sets: a dive at other depths and bottom times."""
