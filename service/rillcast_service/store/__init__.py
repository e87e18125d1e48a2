"""What the service remembers: layouts, bench data, quotes with their jobs, and the files they made."""
