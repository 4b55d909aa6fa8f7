"""check."""
