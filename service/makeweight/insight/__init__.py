"""Rates, burn and totals: what the numbers say."""
