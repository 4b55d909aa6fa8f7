"""Alembic's way in: runs the migrations on the connection, and in the transaction, that ``database.py`` hands over."""

from alembic import context

from stripread.records.tables import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata)
context.run_migrations()
