"""Cost: lines from the making plan, the price they add up to, its uncertainty, and routes compared."""
