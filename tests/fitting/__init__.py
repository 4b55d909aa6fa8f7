"""Tools that fit the constants of colour mismatch on simulated conditions."""
