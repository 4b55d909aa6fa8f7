"""One module a change of the tables, in order."""
