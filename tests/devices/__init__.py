"""Inputs and outputs: names, drivers, what is plugged in."""
