"""The seats in one loop, with their devices."""
