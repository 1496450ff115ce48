"""What touches the world: stores, HTTP, documents, telemetry. Hosts run the stages and know nothing of gifts."""
