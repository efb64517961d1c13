"""What a small PC by the bed needs around the loop."""
