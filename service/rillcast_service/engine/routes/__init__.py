"""Ways of making a chip: one module a route, its steps and limits in catalogue/routes/<id>.toml."""
