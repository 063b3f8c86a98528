"""Studies of how well rankings do on virtual boards; too long for the daily tests."""
