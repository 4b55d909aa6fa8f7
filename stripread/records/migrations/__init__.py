"""The tables' history, run by Alembic; ``database.py`` calls it, there is no alembic.ini."""
