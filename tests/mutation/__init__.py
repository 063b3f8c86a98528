"""Small changes made to the core modules on purpose: do the tests notice? ``python -m tests.mutation --count 150``."""
