"""Reading layout files in processes apart, as a file may hold anything that a stranger thought of."""
