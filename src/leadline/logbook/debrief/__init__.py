"""How it went: a dive as dived, held against its plan."""
