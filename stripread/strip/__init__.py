"""strip."""
