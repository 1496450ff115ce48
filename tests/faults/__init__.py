"""Faults on a real broker, chosen by a seed: ``python -m tests.faults``."""
