"""Studies of how good answers are: long runs, and small ones for every day."""
