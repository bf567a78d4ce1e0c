"""Numbers with their citation: one TOML file per edition, and small pure functions that judge by them."""
