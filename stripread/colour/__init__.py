"""colour."""
