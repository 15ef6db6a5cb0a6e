"""How robust a plan is: dives drawn around it."""
