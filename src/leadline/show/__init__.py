"""What is shown: every table and line of a plan once, as data. Terminal, page and paper lay it out; they word and round
nothing."""
