"""Profiles: one YAML file for one child, read with positions, checked, and made into a plan for the engine."""
