"""Rubbish thrown at every input: mutated files, files from a grammar, command lines.

``python -m tests.abuse --count 200000 --seed 1`` is the long run; `tests/abuse/test_rubbish.py` a short one.
"""
