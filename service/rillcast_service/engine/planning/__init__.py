"""From a route's steps to a making plan: counts, batches, materials and a calendar."""
