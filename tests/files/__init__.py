"""Profiles, configurations, schemas, rules of others: read, checked, told."""
