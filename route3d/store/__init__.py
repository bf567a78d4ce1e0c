"""What outlives a check: decisions about findings, in a database beside the project."""
