"""The commands that enter into a site's record, look into it, report on it and keep it."""
