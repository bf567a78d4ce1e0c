"""The commands: read, call one pure function, write."""
