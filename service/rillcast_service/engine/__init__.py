"""Pure computation: layout in, quote out. No web, database, queue, clock or environment in here."""
