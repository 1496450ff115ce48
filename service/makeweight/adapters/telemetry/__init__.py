"""Metrics and logs: bounded labels, base units, no personal data."""
