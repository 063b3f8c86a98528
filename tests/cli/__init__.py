"""Commands as typed."""
