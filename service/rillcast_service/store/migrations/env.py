"""Runs the migrations on the connection that `rillcast_service.store.migrating` hands over."""

from alembic import context

from rillcast_service.store.tables import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata)
context.run_migrations()
