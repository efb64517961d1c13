"""Measures, sessions, pages."""
