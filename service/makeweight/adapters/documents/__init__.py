"""Files as people have them: campaigns in YAML, stock in CSV, orders in JSONL, and tables of order lines."""
