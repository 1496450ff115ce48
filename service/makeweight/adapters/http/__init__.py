"""The HTTP endpoint of the embedded service."""
