"""What children who play together share: beat, harmony, turns, limits."""
