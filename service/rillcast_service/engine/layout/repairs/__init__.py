"""What is mended when the whole drawing is known, one kind of repair a module; each changes nothing else."""
