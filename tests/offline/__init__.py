"""Playing without a daemon, and simulated children."""
