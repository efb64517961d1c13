"""From a marked recording to thresholds and times."""
