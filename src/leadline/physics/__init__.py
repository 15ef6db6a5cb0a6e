"""Nature alone: surface pressure, water, breathing mixes, real gas. Nothing here knows of a plan."""
