"""The clock, the only sleeper, and the operating system's files."""
