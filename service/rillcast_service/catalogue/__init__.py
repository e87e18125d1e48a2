"""Every default of Rillcast as data: TOML tables whose values carry unit, range and source."""
