"""The wire: every message as a model, a JSON Schema and an example. The only place where JSON is parsed or made."""
